"""A record to search in: the first or the last of its moving means beyond a limit, found from coarse to fine.

A mean lies between the least and the greatest sample of its window. So the extremes of short blocks tell where no moving mean
can leave a range, and only the rest is looked at sample by sample, from the near end on. What is found is what a look at
every sample would find.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Test = Callable[[Array], NDArray[np.bool_]]

BELOW, ABOVE = -math.inf, math.inf
"""Ends of ranges that are open to one side."""
BLOCK = 128
"""Samples whose extremes are kept."""
CHUNK = 512
"""Means that are looked at first; the next look takes four times as many."""


class Record:
    """One trace, with what several searches in it share."""

    def __init__(self, samples: Array) -> None:
        """
        Args:
            samples: [sample] finite.
        """
        self.samples = samples

    def __len__(self) -> int:
        return len(self.samples)

    @cached_property
    def total(self) -> Array:
        """[sample + 1] sum of all samples before each."""
        out = np.empty(len(self.samples) + 1)
        out[0] = 0.0
        np.cumsum(self.samples, out=out[1:])
        return out

    def sums(self, first: int, last: int) -> Array:
        """[last - first + 1] running sum of the samples from `first` to before `last`, from any start: for differences."""
        if 16 * (last - first) > len(self.samples):
            return self.total[first : last + 1]
        out = np.empty(last - first + 1)
        out[0] = 0.0
        np.cumsum(self.samples[first:last], out=out[1:])
        return out

    @cached_property
    def extremes(self) -> tuple[Array, Array]:
        """[block] least and greatest sample of each block; the last block may be shorter."""
        starts = np.arange(0, len(self.samples), BLOCK)
        return np.minimum.reduceat(self.samples, starts), np.maximum.reduceat(self.samples, starts)

    def can_leave(self, low: float, high: float, first: int, last: int) -> NDArray[np.intp]:
        """Blocks that touch the samples from `first` to before `last` and hold one outside the range from `low` to `high`."""
        lows, highs = self.extremes
        begin, end = first // BLOCK, (last - 1) // BLOCK + 1
        return begin + _outside(lows[begin:end], highs[begin:end], low, high).nonzero()[0]

    def stays(self, low: float, high: float, first: int) -> bool:
        """Whether every sample from `first` on lies within a range."""
        whole = min(-(-first // BLOCK) * BLOCK, len(self.samples))
        part = self.samples[first:whole]
        return not (_outside(part, part, low, high).any() or len(self.can_leave(low, high, whole, len(self.samples))))

    def means(self, width: int) -> Means:
        """Moving means over an odd number of samples, `width` or one more."""
        return Means(self, min(width // 2, (len(self.samples) - 1) // 2))

    def leaves(self, low: float, high: float, first: int, width: int) -> bool:
        """Whether the mean of any `width` samples in a row from `first` on lies outside a range."""
        if self.stays(low, high, first):
            return False
        total = self.total[first:]
        means = (total[width:] - total[:-width]) / width
        return bool(_outside(means, means, low, high).any())


def _outside(lows: Array, highs: Array, low: float, high: float) -> NDArray[np.bool_]:
    if high == ABOVE:
        return lows < low
    return highs > high if low == BELOW else (lows < low) | (highs > high)


class Means:
    """Moving means of a record; near its ends over what there is of the window."""

    def __init__(self, record: Record, half: int) -> None:
        """
        Args:
            record: to average.
            half: samples to each side.
        """
        self._record = record
        self._half = half

    @property
    def width(self) -> int:
        """Samples in a window, away from the ends."""
        return 2 * self._half + 1

    def values(self, first: int, last: int) -> Array:
        """Means at the samples from `first` to before `last`."""
        half, n = self._half, len(self._record)
        if half < 1:
            return self._record.samples[first:last]
        begin, end = max(first, half), min(last, n - half)
        if begin >= end:
            return self.at(np.arange(first, last))
        sums = self._record.sums(begin - half, end + half)
        inner = (sums[2 * half + 1 :] - sums[: end - begin]) / (2 * half + 1)
        if begin == first and end == last:
            return inner
        return np.concatenate([self.at(np.arange(first, begin)), inner, self.at(np.arange(end, last))])

    def at(self, places: NDArray[np.intp]) -> Array:
        """Means at these samples."""
        if self._half < 1:
            return self._record.samples[places]
        if not len(places):
            return np.empty(0)
        low, high = np.maximum(places - self._half, 0), np.minimum(places + self._half + 1, len(self._record))
        begin = int(low.min())
        sums = self._record.sums(begin, int(high.max()))
        return np.asarray((sums[high - begin] - sums[low - begin]) / (high - low))

    def first_outside(self, low: float, high: float, first: int, last: int) -> int | None:
        """First sample from `first` to before `last` whose mean lies outside the range."""
        first, last = self._where_outside(low, high, first, last)
        return self._first(lambda v: _outside(v, v, low, high), first, last)

    def last_outside(self, low: float, high: float, first: int, last: int) -> int | None:
        """Last sample from `first` to before `last` whose mean lies outside the range."""
        first, last = self._where_outside(low, high, first, last)
        step = CHUNK
        while last > first:
            begin = max(first, last - step)
            v = self.values(begin, last)
            found = _outside(v, v, low, high)[::-1]
            at = int(found.argmax())
            if found[at]:
                return last - 1 - at
            last, step = begin, 4 * step
        return None

    def first_inside(self, low: float, high: float, first: int, last: int) -> int | None:
        """First sample from `first` to before `last` whose mean lies within the range or on its edge."""
        return self._first(lambda v: (v >= low) & (v <= high), first, last)

    def _first(self, test: Test, first: int, last: int) -> int | None:
        step = CHUNK
        while first < last:
            end = min(last, first + step)
            found = test(self.values(first, end))
            at = int(found.argmax())
            if found[at]:
                return first + at
            first, step = end, 4 * step
        return None

    def _where_outside(self, low: float, high: float, first: int, last: int) -> tuple[int, int]:
        """The part of a stretch in which means can lie outside a range: their windows touch a block that does."""
        if first >= last:
            return first, first
        half, n = self._half, len(self._record)
        blocks = self._record.can_leave(low, high, max(0, first - half), min(n, last + half))
        if not len(blocks):
            return first, first
        return max(first, int(blocks[0]) * BLOCK - half), min(last, (int(blocks[-1]) + 1) * BLOCK + half)
