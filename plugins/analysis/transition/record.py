"""A record to search in: the first or the last of its moving means beyond a limit. The loops are in `kernels.record`."""

from __future__ import annotations

import math
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BELOW, ABOVE = -math.inf, math.inf
"""Ends of ranges that are open to one side."""


class _Index(NamedTuple):
    """What several searches share."""

    total: Array
    """[sample + 1] sum of all samples before each."""
    lows: Array
    """[block] least sample of each block."""
    highs: Array
    """[block] greatest."""


class Record:
    """One trace, with what several searches in it share."""

    def __init__(self, samples: Array) -> None:
        """
        Args:
            samples: [sample] finite.
        """
        self.samples = np.ascontiguousarray(samples, dtype=np.float64)

    def __len__(self) -> int:
        return len(self.samples)

    @cached_property
    def index(self) -> _Index:
        """Running sums and extremes of blocks."""
        from ..kernels.record import BLOCK, index

        n = len(self.samples)
        blocks = -(-n // BLOCK)
        made = _Index(np.empty(n + 1), np.empty(blocks), np.empty(blocks))
        index(self.samples, *made)
        return made

    def stays(self, low: float, high: float, first: int) -> bool:
        """Whether every sample from `first` on lies within a range."""
        from ..kernels.record import stays

        return bool(stays(self.samples, self.index.lows, self.index.highs, low, high, first))

    def means(self, width: int) -> Means:
        """Moving means over an odd number of samples, `width` or one more."""
        return Means(self, min(width // 2, (len(self.samples) - 1) // 2))

    def leaves(self, low: float, high: float, first: int, width: int) -> bool:
        """Whether the mean of any `width` samples in a row from `first` on lies outside a range."""
        from ..kernels.record import leaves

        return not self.stays(low, high, first) and bool(leaves(self.index.total, first, width, low, high))

    def farthest(self, first: int, last: int, width: int, upwards: bool) -> int:
        """Sample from `first` to before `last` whose moving mean is the greatest, or the least: the first of several as far.

        Args:
            width: of the mean, in samples, which reaches over nothing outside the stretch.
        """
        from ..kernels.record import farthest

        half = min(width // 2, (last - first - 1) // 2)
        return int(farthest(self.index.total, first, last, half, 1.0 if upwards else -1.0))


class Means:
    """Moving means of a record; near its ends over what there is of the window."""

    def __init__(self, record: Record, half: int) -> None:
        """
        Args:
            record: to average.
            half: samples to each side.
        """
        self._samples, self._index = record.samples, record.index
        self._half = half

    @property
    def width(self) -> int:
        """Samples in a window, away from the ends."""
        return 2 * self._half + 1

    def at(self, places: NDArray[np.int64]) -> Array:
        """Means at these samples."""
        from ..kernels.record import means_at

        out = np.empty(len(places))
        means_at(self._samples, self._index.total, self._half, np.ascontiguousarray(places, dtype=np.int64), out)
        return out

    def greatest(self, first: int, last: int, sign: float) -> float:
        """Greatest of sign * mean at the samples from `first` to before `last`."""
        from ..kernels.record import greatest

        return float(greatest(self._index.total, self._half, first, last, sign))

    def first_outside(self, low: float, high: float, first: int, last: int) -> int | None:
        """First sample from `first` to before `last` whose mean lies outside the range."""
        from ..kernels.record import first_outside

        return _found(first_outside(self._samples, *self._index, self._half, low, high, first, last))

    def last_outside(self, low: float, high: float, first: int, last: int) -> int | None:
        """Last sample from `first` to before `last` whose mean lies outside the range."""
        from ..kernels.record import last_outside

        return _found(last_outside(self._samples, *self._index, self._half, low, high, first, last))

    def first_inside(self, low: float, high: float, first: int, last: int) -> int | None:
        """First sample from `first` to before `last` whose mean lies within the range or on its edge."""
        from ..kernels.record import first_inside

        return _found(first_inside(self._samples, self._index.total, self._half, low, high, first, last))


def _found(place: int) -> int | None:
    return place if place >= 0 else None


def despiked(trace: Array) -> Array:
    """Median of five samples, every second one: spikes of up to four samples vanish, monotone edges stay where they are."""
    from ..kernels.record import despike

    if len(trace) < 64:
        return trace
    out = np.empty(len(trace))
    despike(np.ascontiguousarray(trace), out)
    return out
