"""Ask until something is true: short pauses first, so that a fast event is seen at once, then longer ones."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Final

FIRST_PAUSE_S: Final = 0.0005
LONGEST_PAUSE_S: Final = 0.02
"""Every wait ends half of this late on average: with 0.05 s a capture of one second lost 4 % of its time."""
PAUSE_GROWTH: Final = 1.5


def pauses() -> Iterator[float]:
    """Seconds between two looks."""
    pause_s = FIRST_PAUSE_S
    while True:
        yield pause_s
        pause_s = min(LONGEST_PAUSE_S, pause_s * PAUSE_GROWTH)


def until(deadline_s: float, ready: Callable[[], bool]) -> bool:
    """Ask `ready()` at growing intervals until it is true or the deadline (seconds from now) has passed."""
    end = time.monotonic() + deadline_s
    for pause_s in pauses():
        if ready():
            return True
        left_s = end - time.monotonic()
        if left_s <= 0:
            return False
        time.sleep(min(pause_s, left_s))
    raise AssertionError("the pauses never end")
