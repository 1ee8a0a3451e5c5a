"""A record of one trace to search in: scaled, without spikes, with running sums and the extremes of short blocks.

A moving mean lies between the least and the greatest sample of its window. So the extremes tell where no mean can leave a
range, and only the rest is looked at. What is found is what a look at every sample would find.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .compiling import BOOL, FLOAT, INT, NOTHING, OUT, VECTOR, WHOLE, compiled, inner

Array = NDArray[np.float64]

BLOCK = 128
"""Samples whose extremes are kept."""


@compiled(NOTHING, VECTOR, OUT)
def despike(trace: Array, out: Array) -> None:
    """Median of five samples, every second one; the four samples at each end stay.

    Args:
        trace: [n], n >= 9.
        out: [n].
    """
    n = len(trace)
    for i in range(4):
        out[i], out[n - 1 - i] = trace[i], trace[n - 1 - i]
    first, second, third, fourth, fifth = trace[:-8], trace[2:-6], trace[4:-4], trace[6:-2], trace[8:]
    target = out[4:-4]
    for i in range(n - 8):
        a, b, c, d, e = first[i], second[i], third[i], fourth[i], fifth[i]
        # The median of five is the median of the third with the larger low and the smaller high of two pairs' inner values.
        low1, high1 = a if a < b else b, b if a < b else a
        low2, high2 = d if d < e else e, e if d < e else d
        low = low1 if low1 > low2 else low2
        high = high1 if high1 < high2 else high2
        least, most = low if low < high else high, high if low < high else low
        middle = c if c < most else most
        target[i] = middle if middle > least else least


@compiled(NOTHING, VECTOR, OUT, OUT, OUT)
def index(samples: Array, total: Array, lows: Array, highs: Array) -> None:
    """Running sums and extremes.

    Args:
        samples: [n]
        total: [n + 1] gets the sum of all samples before each.
        lows, highs: [block] get the least and the greatest of each `BLOCK` samples.
    """
    n = len(samples)
    running = 0.0
    total[0] = 0.0
    for b in range(len(lows)):
        first, last = b * BLOCK, min((b + 1) * BLOCK, n)
        low, high = math.inf, -math.inf
        for i in range(first, last):
            value = samples[i]
            running += value
            total[i + 1] = running
            low = value if value < low else low
            high = value if value > high else high
        lows[b], highs[b] = low, high


@inner
def _mean(samples: Any, total: Any, half: int, i: int) -> float:
    """Mean over `half` samples to each side of one, near the ends over what there is."""
    if half < 1:
        return float(samples[i])
    low, high = max(i - half, 0), min(i + half + 1, len(samples))
    return float((total[high] - total[low]) / (high - low))


@compiled(INT, VECTOR, VECTOR, VECTOR, VECTOR, INT, FLOAT, FLOAT, INT, INT)
def first_outside(
    samples: Array, total: Array, lows: Array, highs: Array, half: int, low: float, high: float, first: int, last: int
) -> int:
    """First sample from `first` to before `last` whose moving mean lies outside a range; -1 without one."""
    if first >= last:
        return -1
    n, at = len(samples), first
    for b in range(max(0, first - half) // BLOCK, (min(n, last + half) - 1) // BLOCK + 1):
        if lows[b] < low or highs[b] > high:
            end = min(last, (b + 1) * BLOCK + half)
            for i in range(max(at, b * BLOCK - half), end):
                mean = _mean(samples, total, half, i)
                if mean < low or mean > high:
                    return i
            at = max(at, end)
    return -1


@compiled(INT, VECTOR, VECTOR, VECTOR, VECTOR, INT, FLOAT, FLOAT, INT, INT)
def last_outside(
    samples: Array, total: Array, lows: Array, highs: Array, half: int, low: float, high: float, first: int, last: int
) -> int:
    """Last sample from `first` to before `last` whose moving mean lies outside a range; -1 without one."""
    if first >= last:
        return -1
    n, at = len(samples), last
    for b in range((min(n, last + half) - 1) // BLOCK, max(0, first - half) // BLOCK - 1, -1):
        if lows[b] < low or highs[b] > high:
            begin = max(first, b * BLOCK - half)
            for i in range(min(at, (b + 1) * BLOCK + half) - 1, begin - 1, -1):
                mean = _mean(samples, total, half, i)
                if mean < low or mean > high:
                    return i
            at = min(at, begin)
    return -1


@compiled(INT, VECTOR, VECTOR, INT, FLOAT, FLOAT, INT, INT)
def first_inside(samples: Array, total: Array, half: int, low: float, high: float, first: int, last: int) -> int:
    """First sample from `first` to before `last` whose moving mean lies within a range or on its edge; -1 without one."""
    for i in range(first, last):
        mean = _mean(samples, total, half, i)
        if low <= mean <= high:
            return i
    return -1


@compiled(NOTHING, VECTOR, VECTOR, INT, WHOLE, OUT)
def means_at(samples: Array, total: Array, half: int, places: NDArray[np.int64], out: Array) -> None:
    """Moving means at some samples."""
    for k in range(len(places)):
        out[k] = _mean(samples, total, half, places[k])


@compiled(BOOL, VECTOR, VECTOR, VECTOR, FLOAT, FLOAT, INT)
def stays(samples: Array, lows: Array, highs: Array, low: float, high: float, first: int) -> bool:
    """Whether every sample from `first` on lies within a range."""
    n = len(samples)
    whole = min(-(-first // BLOCK) * BLOCK, n)
    for i in range(first, whole):
        if samples[i] < low or samples[i] > high:
            return False
    for b in range(-(-whole // BLOCK), len(lows)):
        if lows[b] < low or highs[b] > high:
            return False
    return True


@compiled(BOOL, VECTOR, INT, INT, FLOAT, FLOAT)
def leaves(total: Array, first: int, width: int, low: float, high: float) -> bool:
    """Whether the mean of any `width` samples in a row from `first` on lies outside a range."""
    for i in range(first, len(total) - width):
        mean = (total[i + width] - total[i]) / width
        if mean < low or mean > high:
            return True
    return False


@inner
def _clipped(total: Any, half: int, begin: int, end: int, i: int) -> float:
    """Mean over `half` samples to each side of one, as far as they lie from `begin` to before `end`."""
    low, high = max(i - half, begin), min(i + half + 1, end)
    return float((total[high] - total[low]) / (high - low))


@inner
def _most(total: Any, half: int, begin: int, end: int, first: int, last: int, sign: float) -> float:
    """Greatest of sign * mean from `first` to before `last`, over windows that reach over nothing outside `begin` to `end`."""
    a, b, c, d = -math.inf, -math.inf, -math.inf, -math.inf
    inner_first, inner_last = max(first, begin + half), min(last, end - half)
    if inner_first >= inner_last:
        inner_first = inner_last = last
    for i in range(first, inner_first):
        a = max(a, sign * _clipped(total, half, begin, end, i))
    for i in range(inner_last, last):
        a = max(a, sign * _clipped(total, half, begin, end, i))
    scale, count = sign / (2 * half + 1), inner_last - inner_first
    if count > 0:
        ahead, behind = total[inner_first + half + 1 : inner_last + half + 1], total[inner_first - half : inner_last - half]
        for k in range(count // 4):
            v, w = (ahead[4 * k] - behind[4 * k]) * scale, (ahead[4 * k + 1] - behind[4 * k + 1]) * scale
            x, y = (ahead[4 * k + 2] - behind[4 * k + 2]) * scale, (ahead[4 * k + 3] - behind[4 * k + 3]) * scale
            a = v if v > a else a
            b = w if w > b else b
            c = x if x > c else c
            d = y if y > d else d
        for k in range(count // 4 * 4, count):
            a = max(a, (ahead[k] - behind[k]) * scale)
    return max(a, b, c, d)


@compiled(FLOAT, VECTOR, INT, INT, INT, FLOAT)
def greatest(total: Array, half: int, first: int, last: int, sign: float) -> float:
    """Greatest moving mean (`sign` +1), or the least with its sign turned (-1), from `first` to before `last`."""
    return _most(total, half, 0, len(total) - 1, first, last, sign)


@compiled(INT, VECTOR, INT, INT, INT, FLOAT)
def farthest(total: Array, first: int, last: int, half: int, sign: float) -> int:
    """Sample from `first` to before `last` whose moving mean is the greatest (`sign` +1) or the least (-1).

    Windows reach over nothing outside the stretch. Of several within a billionth the first one is taken: rounding must not
    choose between two that are as far, or the mirror image of a trace would give another figure.
    """
    best = _most(total, half, first, last, first, last, sign) - 1e-9
    for i in range(first, last):
        if sign * _clipped(total, half, first, last, i) >= best:
            return i
    return first
