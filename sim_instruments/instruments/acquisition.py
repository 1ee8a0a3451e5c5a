"""One acquisition of the digitiser: which triggers it took, and what is complete at an instant."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ..scpi.errors import ScpiError
from ..world import Sent, World

SYNC_V = 5.0
"""Height of the pulse on the sync line, V."""
SYNC_WIDTH_S = 1e-3
"""Its width, s."""
SEARCH_STEP_S = 0.05
"""How far the light is searched for a crossing at a time, s."""
SEARCH_POINTS = 20_000


@dataclass(frozen=True)
class Setup:
    """All settings of an acquisition, as they were at INITiate."""

    interval_s: float
    points: int
    pretrigger: int
    """Samples before the trigger."""
    segments: int
    source: str
    """IMM, EXT, INT1, INT2 or BUS."""
    level_v: float
    slope: str
    """POS, NEG or EITH."""
    range_v: Mapping[int, float]
    """Full scale peak to peak of each channel, V."""
    offset_v: Mapping[int, float]
    """Centre of the range of each channel, V."""

    @property
    def after_s(self) -> float:
        """From the trigger to the end of the record, s."""
        return (self.points - self.pretrigger) * self.interval_s


@dataclass(frozen=True)
class Trigger:
    """One trigger taken."""

    t_s: float
    cause: Sent | None
    """The level behind it, where it came from the sync line."""


class Acquisition:
    """Triggers taken so far. The memory runs in a ring before the trigger, so pretrigger samples are always there.

    A trigger that comes while a record is still being filled is missed, as on a real digitiser.
    """

    def __init__(self, world: World, setup: Setup, number: int, start_s: float, stuck: bool = False) -> None:
        self.world, self.wire, self.mounted = world, world.wire, world.mounted
        self.setup = setup
        self.number = number
        self.start_s = start_s
        self.stuck = stuck
        """Whether its trigger circuit is out of order: nothing ever triggers."""
        self.aborted = False
        self.triggers: list[Trigger] = []
        self._searched_to_s = start_s

    @property
    def armed_s(self) -> float:
        """From when on a trigger is taken, s."""
        return self.triggers[-1].t_s + self.setup.after_s if self.triggers else self.start_s

    @property
    def is_full(self) -> bool:
        """Whether all its triggers have come (or never will)."""
        return self.aborted or len(self.triggers) >= self.setup.segments

    def advance(self, now_s: float) -> None:
        """Take the triggers up to now."""
        while not self.is_full and not self.stuck:
            trigger = self._next_trigger(now_s)
            if trigger is None:
                return
            self.triggers.append(trigger)

    def force(self, now_s: float) -> None:
        """*TRG. Raises -211 when not waiting for it."""
        self.advance(now_s)
        if self.is_full or self.setup.source != "BUS" or now_s < self.armed_s or self.stuck:
            raise ScpiError(-211)
        self.triggers.append(Trigger(now_s, None))

    def complete(self, now_s: float) -> int:
        """Number of segments whose last sample is in."""
        self.advance(now_s)
        if self.triggers and self.triggers[-1].t_s + self.setup.after_s > now_s:
            return len(self.triggers) - 1
        return len(self.triggers)

    def is_measuring(self, now_s: float) -> bool:
        """Whether a record is being filled."""
        return not self.aborted and self.complete(now_s) < len(self.triggers)

    def is_waiting(self, now_s: float) -> bool:
        """Whether it waits for a trigger."""
        self.advance(now_s)
        return not self.is_full and not self.is_measuring(now_s)

    def abort(self, now_s: float) -> None:
        """Stop; a half-filled record is lost."""
        del self.triggers[self.complete(now_s) :]
        self.aborted = True

    def next_event(self, now_s: float) -> float:
        """When the next segment will be complete, as far as anything is planned; infinite when nothing is."""
        if self.is_measuring(now_s):
            return self.armed_s
        if self.is_full:
            return now_s
        if self.stuck:
            return math.inf
        upcoming = self._planned_trigger(self.armed_s)
        return upcoming if math.isinf(upcoming) else upcoming + self.setup.after_s

    def ends_s(self, now_s: float) -> float:
        """When the whole acquisition will be over, as far as planned; infinite when that is unknown."""
        self.advance(now_s)
        if self.aborted:
            return now_s
        armed_s, missing = self.armed_s, self.setup.segments - len(self.triggers)
        if missing and (self.stuck or self.setup.source in ("BUS", "INT1")):
            return self.next_event(now_s) if self.setup.source == "INT1" else math.inf
        for _ in range(missing):
            trigger_s = self._planned_trigger(armed_s)
            if math.isinf(trigger_s):
                return trigger_s
            armed_s = trigger_s + self.setup.after_s
        return armed_s

    def _pulse_edges(self, sent: Sent) -> list[float]:
        """Instants at which the pulse of a level fires this trigger."""
        setup = self.setup
        if setup.source == "INT2" and not 0.0 < setup.level_v < SYNC_V:
            return []
        ends = {"POS": (0.0,), "NEG": (SYNC_WIDTH_S,), "EITH": (0.0, SYNC_WIDTH_S)}[setup.slope]
        return [sent.edge_s + end for end in ends]

    def _next_trigger(self, now_s: float) -> Trigger | None:
        source, armed_s = self.setup.source, self.armed_s
        if source == "IMM":
            t_s = armed_s + self.setup.pretrigger * self.setup.interval_s
            return Trigger(t_s, None) if t_s <= now_s else None
        if source == "INT1":
            return self._light_crossing(now_s)
        if source == "BUS":
            return None
        return next((trigger for trigger in self._pulses(armed_s, planned=False) if trigger.t_s <= now_s), None)

    def _pulses(self, armed_s: float, planned: bool) -> Iterator[Trigger]:
        """Triggers that the sync line gives from `armed_s` on, in order."""
        # A falling edge may still be to come for a level that is on the wire already.
        for sent in self.wire.edges_from(armed_s - SYNC_WIDTH_S, planned):
            for t_s in self._pulse_edges(sent):
                if t_s >= armed_s:
                    yield Trigger(t_s, sent)

    def _planned_trigger(self, armed_s: float) -> float:
        """Next trigger after `armed_s` among what is planned; infinite when there is none."""
        source = self.setup.source
        if source == "IMM":
            return armed_s + self.setup.pretrigger * self.setup.interval_s
        if source == "INT1":
            now_s = self.world.clock.now()
            busy = self.wire.planned or now_s < self.mounted.trajectory.last_change_s() + 1.0
            return now_s + SEARCH_STEP_S if busy else math.inf
        if source == "BUS":
            return math.inf
        return next((trigger.t_s for trigger in self._pulses(armed_s, planned=True)), math.inf)

    def _light_crossing(self, now_s: float) -> Trigger | None:
        """First crossing of the trigger level by the light channel, searched up to now."""
        sensor, setup = self.world.sensor, self.setup
        begin = max(self.armed_s, self._searched_to_s)
        while begin < now_s:
            end = min(now_s, begin + SEARCH_STEP_S)
            grid = np.linspace(begin - sensor.lead_s(), end, SEARCH_POINTS)
            volts = sensor.volts(self.mounted.luminance_cd_m2(grid), float(grid[1] - grid[0]))
            above = volts[grid >= begin - 1e-9] > setup.level_v
            change = above[1:].astype(np.int8) - above[:-1]
            wanted = {"POS": change > 0, "NEG": change < 0, "EITH": change != 0}[setup.slope]
            hits = np.flatnonzero(wanted)
            if len(hits):
                return Trigger(float(grid[grid >= begin - 1e-9][hits[0] + 1]), None)
            begin = self._searched_to_s = end
        return None
