"""Modulation depth and flicker index of a waveform, free of the bias that noise gives to extremes and to absolute values."""

from __future__ import annotations

from typing import NamedTuple

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


class Places(NamedTuple):
    """Phase bins of the extremes of a waveform that is known twice: each chosen in one half, to be read in the other."""

    top_of_first: int
    top_of_second: int
    bottom_of_first: int
    bottom_of_second: int


def places_of(first: Array, second: Array) -> Places:
    """Where each half has its extremes."""
    return Places(int(np.argmax(first)), int(np.argmax(second)), int(np.argmin(first)), int(np.argmin(second)))


def extremes_at(first: Array, second: Array, places: Places) -> tuple[float, float]:
    """Maximum and minimum, each half read at the place that the other one chose: noise can then not pose as modulation.

    For a smooth top the value is low by about half the noise of one phase bin, which the budget holds.

    Args:
        first: [bin].
        second: [bin] the same waveform with independent noise.
        places: of the same halves, or of more records (then left-out ones can't move the places).
    """
    top = 0.5 * (second[places.top_of_first] + first[places.top_of_second])
    bottom = 0.5 * (second[places.bottom_of_first] + first[places.bottom_of_second])
    return float(top), float(bottom)


def depth_at(first: Array, second: Array, places: Places) -> float:
    """Modulation depth with the extremes at given places; may come out slightly negative."""
    top, bottom = extremes_at(first, second, places)
    return (top - bottom) / (top + bottom) if top + bottom > 0 else float("nan")


def unbiased_depth(first: Array, second: Array) -> float:
    """Modulation depth of a waveform that is known twice with independent noise."""
    return depth_at(first, second, places_of(first, second))


def unbiased_index(first: Array, second: Array) -> float:
    """Flicker index of a waveform that is known twice: above or below the mean is decided in one half, the area read in the
    other."""
    a, b = first - np.mean(first), second - np.mean(second)
    mean = 0.5 * float(np.mean(first) + np.mean(second))
    area = 0.5 * float(np.mean(np.sign(a) * b) + np.mean(np.sign(b) * a))
    return area / (2.0 * mean) if mean > 0 else float("nan")
