"""One pass over the repeats of a transition: their sum, and what blocks of each say. No other pass over all samples is needed.

Rows are given as one vector, each row `stride` samples after the one before: the segments of one direction lie between
those of the other.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .compiling import BOOL, FLOAT, INT, OUT, OUT_MATRIX, VECTOR, compiled, inner

Array = NDArray[np.float64]

LANES = 8
"""Running sums side by side: a sum that waits for none but its own lane's is as fast as memory."""


@inner
def _sum(samples: Any, first: int, last: int) -> float:
    """Sum of the samples from `first` to before `last`."""
    a, b, c, d, e, f, g, h = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    whole = first + (last - first) // LANES * LANES
    for i in range(first, whole, LANES):
        a += samples[i]
        b += samples[i + 1]
        c += samples[i + 2]
        d += samples[i + 3]
        e += samples[i + 4]
        f += samples[i + 5]
        g += samples[i + 6]
        h += samples[i + 7]
    for i in range(whole, last):
        a += samples[i]
    return float(((a + b) + (c + d)) + ((e + f) + (g + h)))


@inner
def _squares(samples: Any, first: int, last: int, mean: float) -> float:
    """Sum of the squares of what the samples from `first` to before `last` differ from a mean."""
    a, b, c, d, e, f, g, h = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    whole = first + (last - first) // LANES * LANES
    for i in range(first, whole, LANES):
        a += (samples[i] - mean) ** 2
        b += (samples[i + 1] - mean) ** 2
        c += (samples[i + 2] - mean) ** 2
        d += (samples[i + 3] - mean) ** 2
        e += (samples[i + 4] - mean) ** 2
        f += (samples[i + 5] - mean) ** 2
        g += (samples[i + 6] - mean) ** 2
        h += (samples[i + 7] - mean) ** 2
    for i in range(whole, last):
        a += (samples[i] - mean) ** 2
    return float(((a + b) + (c + d)) + ((e + f) + (g + h)))


@compiled(BOOL, VECTOR, INT, INT, INT, FLOAT, OUT, OUT_MATRIX, OUT_MATRIX, OUT)
def gather(
    rows: Array,
    stride: int,
    repeats: int,
    block: int,
    farthest: float,
    total: Array,
    sums: Array,
    squares: Array,
    range0: Array,
) -> bool:
    """Sum of the repeats, and sum and scatter of each block of each.

    Args:
        rows: samples of the repeats.
        stride: from the first sample of one to that of the next.
        repeats: how many.
        block: samples a block; the last block holds what is left, perhaps none.
        farthest: no sample may be as large as this.
        total: [sample] gets the sum.
        sums: [repeat, block] gets the sum of each block.
        squares: [repeat, block] gets the sum of the squared deviations from the block's own mean.
        range0: [2] gets the least and the greatest sample of the first repeat.

    Returns:
        Whether all samples are finite and of a possible size.
    """
    samples, blocks = len(total), sums.shape[1]
    low, high = math.inf, -math.inf
    for r in range(repeats):
        start = r * stride
        for b in range(blocks):
            first, last = b * block, min((b + 1) * block, samples)
            if r == 0:
                for i in range(first, last):
                    value = rows[start + i]
                    total[i] = value
                    low = value if value < low else low
                    high = value if value > high else high
            else:
                for i in range(first, last):
                    total[i] += rows[start + i]
            value = _sum(rows, start + first, start + last)
            # An infinite sample or one that is no number shows in the sum, an impossible one in the scatter.
            if not abs(value) < farthest * block:
                return False
            sums[r, b] = value
            squares[r, b] = _squares(rows, start + first, start + last, value / max(last - first, 1))
            if not squares[r, b] < farthest * farthest:
                return False
    range0[0], range0[1] = low, high
    return True


@compiled(FLOAT, VECTOR, INT)
def second_differences(values: Array, most: int) -> float:
    """Median size of the second differences of a trace; of about `most` of them, evenly spread, where there are more.

    Args:
        values: [n], n >= 3.
    """
    n = len(values)
    stride = max(1, n // most)
    count = (n - 3) // stride + 1
    sizes = np.empty(count)
    for k in range(count):
        i = k * stride
        sizes[k] = abs(values[i + 2] - 2 * values[i + 1] + values[i])
    return float(np.median(sizes))


@compiled(FLOAT, OUT_MATRIX, INT)
def between_repeats(means: Array, blocks: int) -> float:
    """Median over the record of the variance between repeats of the step from one block to the next.

    Args:
        means: [repeat, block] of at least two repeats.
        blocks: how many of them count, at least two.
    """
    repeats = means.shape[0]
    variances = np.empty(blocks - 1)
    for b in range(blocks - 1):
        middle = 0.0
        for r in range(repeats):
            middle += means[r, b + 1] - means[r, b]
        middle /= repeats
        total = 0.0
        for r in range(repeats):
            total += (means[r, b + 1] - means[r, b] - middle) ** 2
        variances[b] = total / (repeats - 1)
    return float(np.median(variances))


@compiled(INT, VECTOR, FLOAT, INT, FLOAT, BOOL)
def resting(blocks: Array, noise: float, least: int, agree: float, backwards: bool) -> int:
    """How many blocks rest on one level, from the first on or, backwards, from the last: see `preparation.levels`."""
    n = len(blocks)
    if n <= least:
        return n
    z = np.empty(n)
    total = 0.0
    for k in range(n):
        value = blocks[n - 1 - k] if backwards else blocks[k]
        z[k] = (value - total / k) / (noise * math.sqrt(1 + 1 / k)) if k >= least else 0.0
        total += value
    for k in range(least, n):
        after = z[k + 1] if k + 1 < n else z[k]
        # One block may stray now and then among hundreds; two in a row, or one far off, don't.
        if min(z[k], after) > agree or max(z[k], after) < -agree or abs(z[k]) > 2 * agree:
            return max(least, k - 1)
    return n
