"""State levels: where the light rests before and after a transition, by three independent ways.

- windows of the trace, as long as their blocks agree within the noise;
- the steady captures (see `curve`);
- the histogram of IEEE 181 (modes of the lower and the upper half).

A level drawn from the end of a record that has not settled is wrong: for an exponential and a record of 3 time constants
the 10-90 % duration comes out 16.6 % short. `asymptote` therefore tells how far the light still had to go.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def histogram_levels(values: Array, bins: int = 100) -> tuple[float, float]:
    """State levels as IEEE 181 takes them from the histogram of a two-level waveform.

    M equal bins between minimum and maximum, split in the middle between the lowest and the highest non-empty bin,
    the centre of the fullest bin of each half.

    Args:
        values: samples of any shape.
        bins: M; the levels are good to one bin.

    Returns:
        Lower and upper level. Equal when all samples are equal.
    """
    low, high = float(values.min()), float(values.max())
    if low == high:
        return low, high
    counts, edges = np.histogram(values, bins=bins, range=(low, high))
    filled = np.flatnonzero(counts)
    middle = (int(filled[0]) + int(filled[-1]) + 1) // 2
    centres = 0.5 * (edges[:-1] + edges[1:])
    lower, upper = counts[:middle], counts[middle:]
    return float(centres[int(np.argmax(lower))]), float(centres[middle + int(np.argmax(upper))])


def resting_window(blocks: Array, noise: float, *, least: int = 2, agree: float = 3.0, backwards: bool = False) -> int:
    """How many blocks at one end rest on one level: each next block agrees with the mean of those before it.

    Args:
        blocks: [n] block means.
        noise: standard deviation of one block mean.
        least: blocks taken without a question.
        agree: greatest difference of two blocks in a row in standard deviations; twice that for a single one.
        backwards: from the last block on, as against the first.

    Returns:
        Number of blocks, at least `min(least, n)`. The last block before a disagreement is left out too, because
        the beginning of the change may hide in it.
    """
    from ..kernels.repeats import resting

    return int(resting(np.ascontiguousarray(blocks), noise, least, agree, backwards))


def asymptote(values: Array, noise: float, *, floor: float = 0.0, period: float = 0.0) -> tuple[float, float] | None:
    """Where an exponential approach seen in these values would end.

    Three equal stretches give differences d1, d2; their ratio r is the decay over a stretch, and the distance from the last
    stretch's mean to the asymptote is d2 r / (1 - r).

    Args:
        values: [n] samples or block means in time order, n >= 3.
        noise: standard deviation of one of them; white, so that a mean over a stretch has less.
        floor: standard deviation of a mean however long, for what does not average out.
        period: of a modulation, in values; 0: none. Where a stretch holds one the stretches are cut to whole periods,
            whose means the modulation leaves alone; where it does not, `floor` must allow for it.

    Returns:
        Asymptote and its standard uncertainty; None when no trend stands out from the noise.
    """
    n = len(values) // 3
    if n < 1:
        return None
    if 0 < period <= n:
        n = round(int(n / period) * period)
    a, b, c = (float(np.mean(part)) for part in (values[-3 * n : -2 * n], values[-2 * n : -n], values[-n:]))
    sigma = math.hypot(noise / math.sqrt(n), floor)
    trend = c - a
    if abs(trend) <= 4 * math.sqrt(2) * sigma:
        return None
    d1, d2 = b - a, c - b
    if d2 * trend <= 0:
        # The later stretch turned back: no approach to an asymptote, but no rest either.
        return c, abs(trend)
    ratio = min(max(d2 / d1 if d1 * d2 > 0 else 0.9, 0.05), 0.9)
    ahead = d2 * ratio / (1 - ratio)
    return c + ahead, max(abs(ahead) / 2, sigma)
