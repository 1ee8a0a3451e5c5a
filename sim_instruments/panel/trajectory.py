"""What the cell does for a history of levels: pieces of closed form, evaluated at any instants.

The trajectory is a pure function of the history. Its object only remembers the pieces that are worked out already,
so that a long history can grow by one event without starting again.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from .cell import CellPiece, next_piece, resting_piece
from .display import Display

SETTLED = 1e-9
"""Weights below this (drive units) are nothing: far under one step of any converter here."""


class Trajectory:
    """The state of one spot of a display over time, growing with the levels driven."""

    def __init__(self, display: Display, start_s: float, level: int) -> None:
        """A display that has rested at `level` since long before `start_s`."""
        self.display = display
        self.levels: list[tuple[float, int]] = [(start_s, level)]
        """Frame start at the display's input and level, in order; the first is the state of rest."""
        self.pieces: list[CellPiece] = [resting_piece(start_s, display.drive(level), display.spec.speed)]
        self._starts: list[float] = [start_s]

    def extend(self, events: Iterable[tuple[float, int]]) -> Trajectory:
        """Add levels, each with the start of the frame that carries it (increasing). Returns itself."""
        for frame_s, level in events:
            self._add(frame_s, level)
        return self

    def continued(self, display: Display, t_s: float) -> Trajectory:
        """The same cell from `t_s` on, in another condition that did not disturb it."""
        new = Trajectory(display, *self.levels[-1])
        index = max(0, bisect_right(self._starts, t_s) - 1)
        new.pieces, new._starts = self.pieces[index:], self._starts[index:]
        return new

    def _add(self, frame_s: float, level: int) -> None:
        display, (_, before) = self.display, self.levels[-1]
        self.levels.append((frame_s, level))
        light_s = frame_s + display.latency_s
        # The end of the last overdriven frame may have been planned for this very instant: the new frame replaces it.
        while len(self._starts) > 1 and self._starts[-1] >= light_s - 1e-9:
            self._starts.pop()
            self.pieces.pop()
        first_frame = display.first_frame_target(before, level)
        self._push(light_s, first_frame)
        if first_frame != display.drive(level):
            self._push(light_s + display.frame_s, display.drive(level))

    def _push(self, t_s: float, target: float) -> None:
        speed, temperature_c = self.display.spec.speed, self.display.temperature_c(t_s)
        self.pieces.append(next_piece(self.pieces[-1], t_s, target, speed, temperature_c))
        self._starts.append(t_s)

    def drive(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Seen state of the cell (drive units) at sorted instants; before the history began, its state of rest."""
        seen = np.empty(len(t_s))
        if not len(t_s):
            return seen
        first = max(0, bisect_right(self._starts, float(t_s[0])) - 1)
        last = max(0, bisect_right(self._starts, float(t_s[-1])) - 1)
        edges = np.searchsorted(t_s, self._starts[first + 1 : last + 1], side="left")
        bounds = [0, *(int(edge) for edge in edges), len(t_s)]
        for piece, begin, end in zip(self.pieces[first : last + 1], bounds[:-1], bounds[1:], strict=True):
            if end > begin:
                _fill(seen[begin:end], t_s[begin:end], piece)
        return seen

    def luminance_cd_m2(self, t_s: NDArray[np.float64], modulated: bool = True) -> NDArray[np.float64]:
        """Luminance at sorted instants, cd/m2.

        With `modulated` false the light is the mean over each period of the backlight: the transition itself.
        """
        light = self.display.spec.curve.luminance_cd_m2(self.drive(t_s))
        return light * self.display.light_factor(t_s, modulated)

    def pieces_between(self, begin_s: float, end_s: float) -> list[CellPiece]:
        """The pieces in force from `begin_s` to `end_s`."""
        return self.pieces[max(0, bisect_right(self._starts, begin_s) - 1) : bisect_right(self._starts, end_s)]

    def around(self, frame_s: float) -> tuple[int, float]:
        """Level before the frame that starts at `frame_s`, and the start of the frame with the next level (infinite: none)."""
        index = bisect_left(self.levels, frame_s, key=lambda entry: entry[0])
        after_s = self.levels[index + 1][0] if index + 1 < len(self.levels) else math.inf
        return self.levels[max(0, index - 1)][1], after_s

    def last_change_s(self) -> float:
        """Instant of the last change of the cell's target, s."""
        return self._starts[-1]

    def drop_before(self, t_s: float) -> None:
        """Forget pieces and levels that ended before `t_s`, for a bench that runs for days."""
        keep = max(0, bisect_right(self._starts, t_s) - 1)
        del self.pieces[:keep], self._starts[:keep]
        keep = max(0, bisect_right([frame for frame, _ in self.levels], t_s) - 1)
        del self.levels[:keep]


def _fill(seen: NDArray[np.float64], t_s: NDArray[np.float64], piece: CellPiece) -> None:
    """Evaluate one piece in place."""
    slow, fast = piece.weights()
    if abs(slow) < SETTLED and abs(fast) < SETTLED:
        seen[:] = piece.target
        return
    elapsed = np.maximum(t_s - piece.start_s, 0.0)
    elapsed *= -1.0 / piece.time_constant_s
    np.exp(elapsed, out=seen)
    seen *= slow
    elapsed /= piece.ratio
    np.exp(elapsed, out=elapsed)
    elapsed *= fast
    seen += elapsed
    seen += piece.target
