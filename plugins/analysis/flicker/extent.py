"""Modulation depth and flicker index of a waveform, free of the bias that noise gives to extremes and to absolute values."""

from __future__ import annotations

import numpy as np
from greystep.schema.trace import Array


def modulation_depth(waveform: Array) -> float:
    """M = (max - min) / (max + min), percent flicker as a part; NaN where max + min is not positive.

    Source: IES Lighting Handbook / RP-16 (from memory); the same form as equation 3 of Hallum and Cloherty,
    PLoS ONE 16(3):e0248180 (2021).
    """
    top, bottom = float(np.max(waveform)), float(np.min(waveform))
    return (top - bottom) / (top + bottom) if top + bottom > 0 else float("nan")


def flicker_index(waveform: Array) -> float:
    """FI = area above the mean / whole area over one cycle, 0 to 1; NaN where the mean is not positive.

    Source: IES Lighting Handbook / RP-16 (from memory). Evenly spaced samples of a whole cycle.
    """
    mean = float(np.mean(waveform))
    return float(np.mean(np.abs(waveform - mean))) / (2.0 * mean) if mean > 0 else float("nan")


def unbiased_extremes(first: Array, second: Array) -> tuple[float, float]:
    """Maximum and minimum of a waveform that is known twice with independent noise.

    The place is chosen in one half and the value read in the other, both ways round: noise can then not pose as modulation.
    For a smooth top the value is low by about half the noise of one phase bin, which the budget holds.

    Args:
        first: [bin].
        second: [bin].
    """
    top = 0.5 * (second[np.argmax(first)] + first[np.argmax(second)])
    bottom = 0.5 * (second[np.argmin(first)] + first[np.argmin(second)])
    return float(top), float(bottom)


def unbiased_depth(first: Array, second: Array) -> float:
    """Modulation depth of a waveform that is known twice with independent noise; may come out slightly negative."""
    top, bottom = unbiased_extremes(first, second)
    return (top - bottom) / (top + bottom) if top + bottom > 0 else float("nan")


def unbiased_index(first: Array, second: Array) -> float:
    """Flicker index of a waveform that is known twice: above or below the mean is decided in one half, the area read in the
    other."""
    a, b = first - np.mean(first), second - np.mean(second)
    mean = 0.5 * float(np.mean(first) + np.mean(second))
    area = 0.5 * float(np.mean(np.sign(a) * b) + np.mean(np.sign(b) * a))
    return area / (2.0 * mean) if mean > 0 else float("nan")
