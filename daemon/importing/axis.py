"""The time axis of a table: it must increase, and evenly, or the samples mean nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from greystep.schema.errors import Problem
from greystep.schema.table import Block

TOLERANCE: Final = 0.5
"""Part of an interval by which a step of the time may be off: printing with few digits does that, a lost sample is 1."""


@dataclass(frozen=True)
class Axis:
    """An even time axis."""

    start_s: float
    interval_s: float


class AxisCheck:
    """Checks a column of times block by block; keeps only its ends."""

    def __init__(self, column: str, factor: float, name: str) -> None:
        """Args: column; factor: seconds per unit; name: of the file, for messages."""
        self._column = column
        self._factor = factor
        self._name = name
        self._first = self._last = self._interval = float("nan")
        self._rows = 0
        self.problems: list[Problem] = []

    def feed(self, block: Block) -> None:
        """Check the next rows; stops looking after the first problem."""
        if self.problems or not block.rows:
            return None
        times = np.asarray(block.values[self._column], dtype=np.float64)
        bad = np.flatnonzero(~np.isfinite(times))
        if len(bad):
            return self._note(block, int(bad[0]), f"the time is {times[bad[0]]}")
        known = self._rows > 0
        steps = np.diff(times, prepend=self._last) if known else np.diff(times)
        offset = 0 if known else 1
        back = np.flatnonzero(steps <= 0)
        if len(back):
            row = int(back[0]) + offset
            before = times[row - 1] if row else self._last
            return self._note(block, row, f"the time doesn't increase: {times[row]:.9g} after {before:.9g}")
        if np.isnan(self._interval) and len(steps):
            self._interval = float((times[-1] - (self._last if known else times[0])) / len(steps))
        off = np.abs(steps - self._interval) > TOLERANCE * self._interval
        if off.any():
            row = int(np.argmax(np.abs(steps - np.median(steps)))) + offset
            step = steps[row - offset]
            return self._note(block, row, f"the time is uneven: a step of {step:.6g} where others are {np.median(steps):.6g}")
        self._first = self._first if known else float(times[0])
        self._last = float(times[-1])
        self._rows += len(times)
        return None

    def axis(self) -> Axis:
        """The axis, after the last block. Needs at least two rows and no problem."""
        interval = (self._last - self._first) / (self._rows - 1)
        return Axis(self._first * self._factor, interval * self._factor)

    def _note(self, block: Block, row: int, message: str) -> None:
        line = block.line(row)
        at = message if line is not None else f"row {self._rows + row + 1}: {message}"
        self.problems.append(Problem(at, self._name, line, self._column))
