"""What is known while a run is at the bench, and how its lists of levels are played."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from greystep.schema.errors import InstrumentTimeoutError
from greystep.schema.plan import Plan

from .ranges import SeenLight
from .rig import Rig

MARGIN_S = 2.0
"""Longest wait beyond what a list takes, in s."""
APERTURE_S = 0.1
"""Shortest mean of a meter, in s."""


@dataclass
class Session:
    """What is known while a run is at the bench."""

    rig: Rig
    plan: Plan
    plan_text: str
    seen: SeenLight = field(default_factory=SeenLight)
    playing_s: float = 0.0
    """Hold of the list that was started last."""
    stop: Callable[[], bool] = lambda: False
    """Whether the run was asked to stop; long waits look at it."""
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep


def start_list(session: Session, levels: Sequence[int], dwell_s: float) -> None:
    """Play a list once the one before has ended: its last hold may still be running."""
    await_list(session, max(session.playing_s, dwell_s, session.plan.capture.hold_s))
    session.rig.pattern.play(levels, dwell_s)
    session.playing_s = dwell_s


def await_list(session: Session, length_s: float) -> None:
    """Wait until the list that was started last has been played."""
    if not session.rig.pattern.wait(2 * length_s + MARGIN_S):
        raise InstrumentTimeoutError("the list of levels before did not end", role="pattern", retryable=True)
