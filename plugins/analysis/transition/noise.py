"""Noise of a trace, from the trace itself: second differences see the noise and hardly the transition."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_MAD: Final = 1.482602218505602
"""Standard deviation of a normal variable over the median of its absolute value."""


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
    second = values[2:] - 2 * values[1:-1] + values[:-2]
    return _MAD * float(np.median(np.abs(second))) / math.sqrt(6)


def effective_noise(trace: Array, size: int) -> float:
    """Standard deviation a sample as averages over blocks feel it.

    White noise gives the same from samples and from blocks. Slower noise, which averaging removes less, shows in the blocks.
    """
    return max(noise_of(trace), noise_of(block_means(trace, size)) * math.sqrt(size))
