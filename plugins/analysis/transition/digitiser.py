"""What the steps of the digitiser do to a level that hardly moves: an error that no averaging removes, unless noise
dithers it away.

The mean of many samples at a fixed level is off by a sawtooth of the level, of which noise s leaves the harmonics
(q / pi k) exp(-2 pi^2 k^2 s^2 / q^2) (Widrow's theory of quantisation): q/sqrt(12) as a standard uncertainty without
noise, nothing to speak of with noise above half a code.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_HARMONICS = np.arange(1, 65)


@lru_cache(maxsize=1024)
def undithered(quantum: float, noise: float) -> float:
    """Standard uncertainty of the mean of many samples on a digitiser with this step, for noise of this size in single
    samples."""
    if quantum <= 0:
        return 0.0
    if noise <= 0:
        return quantum / math.sqrt(12)
    left = np.exp(-4 * (math.pi * _HARMONICS * noise / quantum) ** 2) / _HARMONICS**2
    return min(quantum / math.sqrt(12), quantum * math.sqrt(float(left.sum()) / 2) / math.pi)


def dither(quiet: float, between: Array, quantum: float) -> float:
    """Noise of single samples, as far as it smooths the digitiser's steps.

    The resting parts tell it when it is large (Sheppard's q^2/12 taken off). When it is small a level between two codes
    makes noise of its own and one in the middle of a code hides it; then the slow part of the transition, which sweeps over
    the codes, is asked.

    Args:
        quiet: variance of single samples where the light rests.
        between: [repeat, sample] where it does not.
        quantum: one code.
    """
    if quantum <= 0:
        return 0.0
    noise = math.sqrt(max(quiet - quantum**2 / 12, 0.0))
    if noise > quantum:
        return noise
    swept = _swept_variance(between, quantum)
    return noise if swept is None else _noise_of_variance(swept, quantum)


def _swept_variance(light: Array, quantum: float) -> float | None:
    """Mean variance between repeats where the light moves slowly over at least 4 codes; None where there is too little
    of that."""
    if len(light) < 3 or light.shape[1] < 40:
        return None
    mean = light.mean(axis=0)
    slope = np.abs(mean[16:] - mean[:-16]) / 16
    slow = np.flatnonzero((slope < quantum / 4) & (slope > quantum / 200)) + 8
    if len(slow) < 24 or float(np.ptp(mean[slow])) < 4 * quantum:
        return None
    # Weighted by the slope every part of a code counts alike, and not the code at which the light comes to rest.
    return float(np.average(light[:, slow].var(axis=0, ddof=1), weights=slope[slow - 8]))


def _noise_of_variance(variance: float, quantum: float) -> float:
    """Noise s whose quantised values vary by `variance` on average over all levels: s^2 + q^2/12 - (error of the mean)^2."""
    low, high = 0.0, math.sqrt(variance) + quantum
    for _ in range(40):
        middle = 0.5 * (low + high)
        if middle**2 + quantum**2 / 12 - undithered(quantum, middle) ** 2 < variance:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
