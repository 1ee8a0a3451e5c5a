"""State levels: where the light rests before and after a transition, by three independent ways.

- windows of the trace, as long as their blocks agree within the noise;
- the steady captures (see `curve`);
- the histogram of IEEE 181 (modes of the lower and the upper half).

A level drawn from the end of a record that has not settled is wrong: for an exponential and a record of 3 time constants
the 10-90 % duration comes out 16.6 % short. `remaining` therefore estimates how far the light still had to go.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Window:
    """A stretch of samples over which a level rests."""

    first: int
    """First sample."""
    last: int
    """One past the last sample."""
    mean: float
    """Mean over the window."""
    remaining: float = 0.0
    """How far the level seems still to move beyond the window, signed; 0 when nothing can be seen."""
    u_remaining: float = 0.0
    """Standard uncertainty of `remaining`."""

    @property
    def samples(self) -> int:
        """Length."""
        return self.last - self.first


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


def resting_window(blocks: Array, noise: float, *, least: int = 2, agree: float = 3.5) -> int:
    """How many leading blocks rest on one level: each next block agrees with the mean of those before it.

    Args:
        blocks: [n] block means, the surest one first (mirror a trace to read its end).
        noise: standard deviation of one block mean.
        least: blocks taken without a question.
        agree: greatest difference in standard deviations.

    Returns:
        Number of blocks, at least `min(least, n)`. The last block before a disagreement is left out too, because
        the beginning of the change may hide in it.
    """
    n = len(blocks)
    if n <= least:
        return n
    counts = np.arange(1, n)
    means = np.cumsum(blocks)[:-1] / counts
    spread = agree * noise * np.sqrt(1 + 1 / counts)
    off = np.flatnonzero(np.abs(blocks[1:] - means)[least - 1 :] > spread[least - 1 :])
    if not len(off):
        return n
    return max(least, int(off[0]) + least - 1)


def remaining_change(blocks: Array, noise: float) -> tuple[float, float]:
    """How far an exponential approach still has to go after the last of these blocks, seen from their mean.

    Three equal stretches of the window give differences d1, d2; their ratio r is the decay over a stretch, and the distance
    from the last stretch's mean to the asymptote is d2 r / (1 - r).

    Args:
        blocks: [n] block means in time order.
        noise: standard deviation of one block mean.

    Returns:
        Signed distance from the mean of the blocks to the asymptote, and its standard uncertainty. (0, u) when no trend
        can be seen in the noise.
    """
    n = len(blocks) // 3
    if n < 1:
        return 0.0, 0.0
    a, b, c = (float(np.mean(blocks[len(blocks) - k * n : len(blocks) - (k - 1) * n or None])) for k in (3, 2, 1))
    sigma = noise / math.sqrt(n)
    d1, d2 = b - a, c - b
    trend, u_trend = c - a, sigma * math.sqrt(2)
    if abs(trend) <= 3 * u_trend:
        return 0.0, u_trend
    ratio = d2 / d1 if d1 else 1.0
    ratio = min(max(ratio, 0.05), 0.9)
    ahead = (c + d2 * ratio / (1 - ratio)) - float(np.mean(blocks))
    if d2 * trend <= 0:
        # The later stretch turned back: no approach to an asymptote, but no rest either.
        ahead = trend
    return ahead, max(abs(ahead) / 2, u_trend)
