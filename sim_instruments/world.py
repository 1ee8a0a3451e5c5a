"""What all instruments share: the clock, the display on the bench, the wire between source and display, the sensor."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import islice

from .clock import Clock
from .mounted import MountedDisplay
from .panel.catalogue import panel
from .sensor import Photosensor

SOURCE_DELAY_S = 180e-6
"""Delay of the pattern source from its sync edge to the wire, s (its calibration value)."""
KEPT_EDGES = 100_000
"""How many edges are remembered at least, for records not yet read out."""


@dataclass(frozen=True)
class Sent:
    """A level on the wire."""

    edge_s: float
    """Sync edge, s."""
    frame_s: float
    """Start of the frame that carries it, at the display's input, s."""
    level: int


@dataclass
class Wire:
    """Levels sent and planned, in order of time."""

    sent: list[Sent] = field(default_factory=list)
    planned: list[Sent] = field(default_factory=list)

    def edges_from(self, start_s: float, planned: bool = False) -> Iterator[Sent]:
        """What was sent (and, if asked, is planned) with its edge at or after `start_s`, in order."""
        for entries in (self.sent, self.planned) if planned else (self.sent,):
            yield from islice(entries, bisect_left(entries, start_s, key=_edge), None)

    def edges_between(self, start_s: float, end_s: float) -> list[Sent]:
        """What was sent with its edge in [start, end]."""
        return self.sent[bisect_left(self.sent, start_s, key=_edge) : bisect_right(self.sent, end_s, key=_edge)]


def _edge(entry: Sent) -> float:
    return entry.edge_s


class World:
    """The bench as the instruments see it."""

    def __init__(self, clock: Clock, panel_name: str, seed: int, sensor: Photosensor, room_c: float = 23.0) -> None:
        self.clock = clock
        self.seed = seed
        self.sensor = sensor
        self.room_c = room_c
        self.wire = Wire()
        self.mounted = MountedDisplay(panel(panel_name), clock.now(), False, room_c)
        self.on_mount: list[Callable[[], None]] = []
        """Called before another display is put on the bench."""

    def mount(self, panel_name: str, cold: bool = False) -> None:
        """Put another display on the bench, switched on just now if `cold`. Raises KeyError for an unknown one."""
        spec = panel(panel_name)
        for prepare in self.on_mount:
            prepare()
        self.wire = Wire()
        self.mounted = MountedDisplay(spec, self.clock.now(), cold, self.room_c)
        self.clock.announce()

    def advance(self) -> float:
        """Let everything happen that is planned up to now; returns now."""
        now_s = self.clock.now()
        wire = self.wire
        due = bisect_right(wire.planned, now_s, key=_edge)
        for entry in wire.planned[:due]:
            self.mounted.send(entry.frame_s, entry.level)
        wire.sent += wire.planned[:due]
        del wire.planned[:due]
        if len(wire.sent) > 2 * KEPT_EDGES:
            del wire.sent[:-KEPT_EDGES]
            self.mounted.forget_before(wire.sent[0].frame_s)
        return now_s

    def place(self, t_s: float, level: int, locked: bool, after: Sent | None = None) -> Sent:
        """Where on the wire a level lands that the source is told at `t_s` to send.

        A source locked to its own frames moves its sync edge to the frame's start; an unlocked one gives the edge at once
        and leaves the display to pick the level up at its next frame.
        """
        last_frame_s = after.frame_s if after is not None else None
        frame_s = self.mounted.frame_for(t_s + SOURCE_DELAY_S, last_frame_s)
        return Sent(frame_s - SOURCE_DELAY_S if locked else t_s, frame_s, level)
