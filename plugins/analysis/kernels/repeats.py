"""One pass over the repeats of a transition: their sum, and what blocks of each say. No other pass over all samples is needed.

Rows are given as one vector, each row `stride` samples after the one before: the segments of one direction lie between
those of the other.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .compiling import BOOL, FLOAT, INT, NOTHING, OUT, OUT_MATRIX, VECTOR, compiled, inner

Array = NDArray[np.float64]

IMPOSSIBLE, CONSTANT, CHANGING = 0, 1, 2


@inner
def _scatter(part: Any) -> tuple[float, float]:
    """Sum of some samples, and sum of the squares of what they differ from their mean.

    Four sums run side by side: one that waits for none but its own lane's is as fast as memory. They are of the distances
    to the first sample, so that a large level costs no digits.
    """
    count, shift = len(part), part[0]
    a, b, c, d = 0.0, 0.0, 0.0, 0.0
    e, f, g, h = 0.0, 0.0, 0.0, 0.0
    for k in range(count // 4):
        p, q, r, s = part[4 * k] - shift, part[4 * k + 1] - shift, part[4 * k + 2] - shift, part[4 * k + 3] - shift
        a += p
        b += q
        c += r
        d += s
        e += p * p
        f += q * q
        g += r * r
        h += s * s
    total, squares = (a + b) + (c + d), (e + f) + (g + h)
    for k in range(count // 4 * 4, count):
        p = part[k] - shift
        total += p
        squares += p * p
    return shift * count + total, squares if math.isnan(squares) else max(squares - total * total / count, 0.0)


@compiled(INT, VECTOR, INT, INT, INT, FLOAT, FLOAT, OUT, OUT_MATRIX, OUT_MATRIX)
def gather(
    rows: Array,
    stride: int,
    repeats: int,
    block: int,
    nearest: float,
    farthest: float,
    total: Array,
    sums: Array,
    squares: Array,
) -> int:
    """Sum of the repeats, and sum and scatter of each block of each.

    Args:
        rows: samples of the repeats.
        stride: from the first sample of one to that of the next.
        repeats: how many.
        block: samples a block; the last block holds what is left, perhaps none.
        nearest: samples that differ by less are equal.
        farthest: no sample may be as large as this.
        total: [sample] gets the sum.
        sums: [repeat, block] gets the sum of each block.
        squares: [repeat, block] gets the sum of the squared deviations from the block's own mean.

    Returns:
        `IMPOSSIBLE` when a sample is not finite or not of a possible size, `CONSTANT` when the first repeat never changes,
        `CHANGING` otherwise.
    """
    samples, blocks = len(total), sums.shape[1]
    differs = False
    for b in range(blocks):
        first, last = b * block, min((b + 1) * block, samples)
        if first >= last:
            sums[:, b], squares[:, b] = 0.0, 0.0
            continue
        # Parts of arrays are read from their beginning: an index that can't be negative needs no second look.
        whole = total[first:last]
        for r in range(repeats):
            part = rows[r * stride + first : r * stride + last]
            if r == 0:
                for i in range(len(whole)):
                    whole[i] = part[i]
                    differs |= abs(part[i] - rows[0]) >= nearest
            else:
                for i in range(len(whole)):
                    whole[i] += part[i]
            value, scatter = _scatter(part)
            # An infinite sample or one that is no number shows in the sum, an impossible one in the scatter or in both.
            if not (abs(value) < farthest * block and scatter < farthest * farthest):
                return IMPOSSIBLE
            sums[r, b], squares[r, b] = value, scatter
    return CHANGING if differs else CONSTANT


@compiled(NOTHING, OUT_MATRIX, OUT_MATRIX, INT, INT, INT, INT, OUT, OUT)
def stretch(sums: Array, squares: Array, block: int, first: int, last: int, samples: int, total: Array, scatter: Array) -> None:
    """Sum and sum of squared deviations of some blocks together.

    Args:
        sums, squares: [repeat, block] from `gather`.
        block: samples a block.
        first: sample at which the stretch begins, the first of a block.
        last: one past its last, the first of a block or the end of the record.
        samples: of the record.
        total: [repeat] gets the sums.
        scatter: [repeat] gets the squared deviations from the mean of the stretch.
    """
    for r in range(sums.shape[0]):
        value, inside, between = 0.0, 0.0, 0.0
        for b in range(first // block, -(-last // block)):
            value += sums[r, b]
        mean = value / max(last - first, 1)
        # Within blocks and between them (the analysis of variance).
        for b in range(first // block, -(-last // block)):
            count = min((b + 1) * block, samples) - b * block
            inside += squares[r, b]
            between += count * (sums[r, b] / count - mean) ** 2
        total[r], scatter[r] = value, inside + between


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


@compiled(FLOAT, VECTOR)
def jackknife(replicates: Array) -> float:
    """Standard error from leave-one-out figures, at least two."""
    n, total, squares = len(replicates), 0.0, 0.0
    for r in range(n):
        total += replicates[r]
    for r in range(n):
        squares += (replicates[r] - total / n) ** 2
    return math.sqrt((n - 1) / n * squares)
