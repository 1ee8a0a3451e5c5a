"""Noise of a trace, from the trace itself: second differences see the noise and hardly the transition."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_MAD: Final = 1.482602218505602
"""Standard deviation of a normal variable over the median of its absolute value."""

ENOUGH: Final = 6000
"""Second differences that are looked at."""


def block_means(values: Array, size: int) -> Array:
    """Means of whole blocks along the last axis; a remainder at the end is left out."""
    if size <= 1:
        return values
    n = values.shape[-1] // size
    return np.asarray(values[..., : n * size].reshape(*values.shape[:-1], n, size).mean(axis=-1))


def noise_of(values: Array) -> float:
    """Standard deviation of independent noise of one sample.

    Second differences of white noise have 6 times its variance; the median ignores the few that a transition makes large.
    """
    if len(values) < 3:
        return 0.0
    # A few thousand tell as well as all: 1 % of the noise.
    stride = max(1, len(values) // ENOUGH)
    second = values[2::stride] - 2 * values[1:-1:stride] + values[:-2:stride]
    return _MAD * float(np.median(np.abs(second))) / math.sqrt(6)


def effective_noise(trace: Array, size: int) -> float:
    """Standard deviation a sample as averages over blocks feel it.

    White noise gives the same from samples and from blocks. Slower noise, which averaging removes less, shows in the blocks.
    """
    return max(noise_of(trace), noise_of(block_means(trace, size)) * math.sqrt(size))


def repeat_noise(light: Array, size: int) -> float:
    """Standard deviation of one sample of the mean of the repeats, as averages over blocks feel it, from what differs
    between them.

    Differences of neighbouring blocks leave out a slow drift of a whole repeat; the median over the record leaves out the
    jitter at the transition. 0 with fewer than 4 repeats.
    """
    if len(light) < 4 or light.shape[1] < 3 * size:
        return 0.0
    steps = np.diff(block_means(light, size), axis=1)
    variance = float(np.median(steps.var(axis=0, ddof=1)))
    # The median of a chi-square variable over its mean, Wilson and Hilferty.
    dof = len(light) - 1
    return math.sqrt(variance / (1 - 2 / (9 * dof)) ** 3 / 2 / len(light) * size)
