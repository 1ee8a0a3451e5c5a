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
    from ..kernels.repeats import second_differences

    if len(values) < 3:
        return 0.0
    # A few thousand tell as well as all: 1 % of the noise.
    return _MAD * second_differences(np.ascontiguousarray(values), ENOUGH) / math.sqrt(6)


def effective_noise(trace: Array, size: int) -> float:
    """Standard deviation a sample as averages over blocks feel it.

    White noise gives the same from samples and from blocks. Slower noise, which averaging removes less, shows in the blocks.
    """
    return max(noise_of(trace), noise_of(block_means(trace, size)) * math.sqrt(size))


def repeat_noise(means: Array, blocks: int, size: int) -> float:
    """Standard deviation of one sample of the mean of the repeats, as averages over blocks feel it, from what differs
    between them.

    Differences of neighbouring blocks leave out a slow drift of a whole repeat; the median over the record leaves out the
    jitter at the transition.

    Args:
        means: [repeat, block] means of blocks.
        blocks: how many of them, from the first on, are whole.
        size: samples a block.

    Returns:
        0 with fewer than 4 repeats or 3 blocks.
    """
    from ..kernels.repeats import between_repeats

    if len(means) < 4 or blocks < 3:
        return 0.0
    # The median of a chi-square variable over its mean, Wilson and Hilferty.
    dof = len(means) - 1
    return math.sqrt(between_repeats(means, blocks) / (1 - 2 / (9 * dof)) ** 3 / 2 / len(means) * size)
