"""Second reading of a long record: the samples around each step and of each hold, aligned."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .ripple import smooth
from .segmentation import Hold, Step

LONGEST_BEFORE_S: Final = 0.05
_IN_MEMORY_BYTES: Final = 64 << 20


@dataclass(frozen=True)
class Window:
    """Samples `start` to `start + length` of the record."""

    group: tuple[int, int]
    """(from level, to level); equal for a hold."""
    start: int
    length: int


@dataclass(frozen=True)
class Lengths:
    """How much is cut around each step, in samples; the same for all steps of a record."""

    before: int
    after: int
    slack: int
    """Cut more on both sides, to align by."""


def step_lengths(steps: Sequence[Step], interval_s: float, ripple_s: float) -> Lengths | None:
    """Lengths that nine of ten steps offer; None when there are no steps."""
    if not steps:
        return None
    before_s = min(LONGEST_BEFORE_S, 0.25 * float(np.quantile([s.before_s for s in steps], 0.1)))
    shortest_s = float(np.quantile([s.after_s for s in steps], 0.1))
    slack_s = min(max(0.012, ripple_s), 0.1 * shortest_s)
    after_s = shortest_s - 2 * slack_s - 0.02 * shortest_s
    return Lengths(round(before_s / interval_s), round(after_s / interval_s), round(slack_s / interval_s))


def step_windows(steps: Sequence[Step], lengths: Lengths, interval_s: float, samples: int) -> tuple[list[Window], list[Step]]:
    """Windows of the steps, and the steps that were held too briefly or stand too near to an end of the record."""
    windows, left = [], []
    for step in steps:
        at = round(step.at_s / interval_s)
        start = at - lengths.before - lengths.slack
        length = lengths.before + lengths.after + 2 * lengths.slack
        room = round(min(step.after_s, (samples * interval_s - step.at_s)) / interval_s)
        if start < 0 or room < lengths.after + lengths.slack or step.before_s / interval_s < lengths.before:
            left.append(step)
        else:
            windows.append(Window((step.from_level, step.to_level), start, min(length, samples - start)))
    usual = max((w.length for w in windows), default=0)
    return [w for w in windows if w.length == usual], left


def hold_windows(holds: Sequence[Hold], interval_s: float, samples: int) -> list[Window]:
    """Windows of the holds, all of the length that nine of ten offer."""
    if not holds:
        return []
    length = int(np.quantile([h.end_s - h.start_s for h in holds], 0.1) / interval_s)
    made = [Window((h.level, h.level), round(h.end_s / interval_s) - length, length) for h in holds]
    return [w for w in made if w.start >= 0 and w.start + length <= samples]


class Cutter:
    """Collects windows from a stream of samples; long results wait on disk."""

    def __init__(self, windows: Iterable[Window], folder: Path) -> None:
        """Args: windows: of any order, may overlap; folder: for long results."""
        self._windows = sorted(windows, key=lambda w: w.start)
        self._folder = folder
        self._place: dict[tuple[tuple[int, int], int], int] = {}
        self._count: dict[tuple[int, int], int] = {}
        self._row: list[int] = []
        for w in self._windows:
            self._row.append(self._count.get(w.group, 0))
            self._count[w.group] = self._row[-1] + 1
        self._made: dict[tuple[int, int], NDArray[Any]] = {}
        self._seen = 0
        self._first = 0

    def feed(self, samples: NDArray[Any]) -> None:
        """Take what the windows want of the next samples."""
        low, high = self._seen, self._seen + len(samples)
        self._seen = high
        i = self._first
        while i < len(self._windows) and self._windows[i].start < high:
            w = self._windows[i]
            stop = min(w.start + w.length, high)
            start = max(w.start, low)
            if start < stop:
                target = self._target(w, samples.dtype)
                target[self._row[i], start - w.start : stop - w.start] = samples[start - low : stop - low]
            if w.start + w.length <= high and i == self._first:
                self._first += 1
            i += 1

    def _target(self, w: Window, dtype: np.dtype[Any]) -> NDArray[Any]:
        if w.group not in self._made:
            self._made[w.group] = self._new((self._count[w.group], w.length), dtype)
        elif (
            self._made[w.group].dtype != dtype and np.result_type(self._made[w.group].dtype, dtype) != self._made[w.group].dtype
        ):
            # Text whose first rows are whole numbers and whose later ones are not.
            old = self._made[w.group]
            self._made[w.group] = self._new(old.shape, np.result_type(old.dtype, dtype))
            self._made[w.group][:] = old
        return self._made[w.group]

    def _new(self, shape: tuple[int, int], dtype: np.dtype[Any]) -> NDArray[Any]:
        if shape[0] * shape[1] * dtype.itemsize <= _IN_MEMORY_BYTES:
            return np.zeros(shape, dtype)
        import tempfile

        with tempfile.NamedTemporaryFile(dir=self._folder, suffix=".cut", delete=False) as file:
            name = file.name
        return np.memmap(name, dtype=dtype, mode="w+", shape=shape)

    @property
    def groups(self) -> dict[tuple[int, int], NDArray[Any]]:
        """(from, to) -> [segment, sample]."""
        return self._made


def aligned(cut: NDArray[Any], lengths: Lengths, interval_s: float, ripple_s: float) -> list[NDArray[Any]]:
    """Segments of one pair of levels, each shifted by whole samples so that the middles of the changes coincide.

    Args:
        cut: [segment, sample], with slack on both sides.
        lengths: of the cut.
        interval_s: between samples.
        ripple_s: period of the ripple, averaged out before the middle is looked for; 0: none.

    Returns:
        [segment] of `before + after` samples; the middle of the change is at sample `before`, as far as slack allows.
    """
    middle = [middle_of(row, lengths, interval_s, ripple_s) for row in cut]
    wanted = lengths.before + lengths.after
    out = []
    for row, at in zip(cut, middle, strict=True):
        start = int(np.clip(round(at) - lengths.before, 0, len(row) - wanted))
        out.append(row[start : start + wanted])
    return out


def middle_of(row: NDArray[Any], lengths: Lengths, interval_s: float, ripple_s: float) -> float:
    """Sample (with its fraction) at which the light is half-way between before and after."""
    width = max(ripple_s, 2e-4) / interval_s
    light = smooth(np.asarray(row, dtype=np.float64), width)
    head = light[: max(lengths.before // 2, 1)].mean()
    tail = light[-max(len(light) // 8, 1) :].mean()
    beyond = (light - (head + tail) / 2) * np.sign(tail - head) >= 0
    first = lengths.before // 2
    # The last time below half before the light stays above: noise and ripple cross more than once.
    crossings = np.flatnonzero(beyond[first + 1 :] & ~beyond[first:-1]) + first + 1
    if not len(crossings):
        return float(lengths.before + lengths.slack)
    i = int(crossings[0])
    a, b = light[i - 1], light[i]
    half = (head + tail) / 2
    return float(i - 1 + (half - a) / (b - a)) if b != a else float(i)
