"""Taking the backlight's ripple out of a trace.

Where the phase holds over a record, the trace is divided by the waveform (a published comparison puts the error of this way
at 2 % at most, that of a moving window at up to 46 %). Where the waveform comes close to zero nothing can be divided:
these gaps are filled with cubics fitted to the light before and after each, and their length is handed on. Where the
phase does not hold, or a period has few samples, a window of exactly one period is left; its length is handed on too,
so that its bias can be corrected.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from greystep.schema.trace import Ripple
from numpy.typing import NDArray

from .folding import STEEP, turns_along, waveform_at
from .phases import find_phases

Array = NDArray[np.float64]

LIT: Final = 0.15
"""Least value of the waveform (mean 1) by which a trace is divided; below it is a gap."""
LEAST_PERIOD: Final = 16
"""With fewer samples a period there is a window and no division: edges would fill the period."""


def running_mean(values: Array, width: float) -> Array:
    """Mean over a centred window of a whole or fractional number of samples.

    Args:
        values: [..., sample].
        width: in samples, >= 1.

    Returns:
        [..., sample]; near the ends over what there is of the window.
    """
    n = values.shape[-1]
    total = np.concatenate([np.zeros((*values.shape[:-1], 1)), np.cumsum(values, axis=-1)], axis=-1)
    centre = np.arange(n) + 0.5
    low, high = np.clip(centre - width / 2, 0, n), np.clip(centre + width / 2, 0, n)

    def at(place: Array) -> Array:
        i = np.minimum(place.astype(np.intp), n - 1)
        return np.asarray(total[..., i] + (place - i) * values[..., i])

    return np.asarray((at(high) - at(low)) / (high - low))


def steep_edges(waveform: Array, period: float) -> Array:
    """[phase] 1 where a sample may have seen both sides of a steep edge, else 0. Nothing is steep with few samples a period.

    Args:
        period: in samples.
    """
    points = len(waveform)
    if period < 16:
        return np.zeros(points)
    reach = max(1, round(points / period))
    steep = np.abs(np.roll(waveform, -reach) - np.roll(waveform, reach)) > STEEP
    wide = max(1, round(1.5 * points / period))
    near = np.any([np.roll(steep, k) for k in range(-wide, wide + 1)], axis=0)
    return near.astype(np.float64) if near.mean() < 0.4 else np.zeros(points)


def divided(row: Array, wave: Array, edge: NDArray[np.bool_], width: float) -> tuple[Array, int]:
    """Row over wave, with what lies in the dark or at a steep edge filled in from both sides.

    Args:
        row: [sample].
        wave: [sample], mean 1.
        edge: [sample] whether a sample may have seen both sides of a steep edge.
        width: of a period, in samples.

    Returns:
        [sample] light, and the length of the longest gap in samples.
    """
    good = (wave >= LIT) & ~edge
    out = row / np.maximum(wave, LIT)
    if good.all() or not good.any():
        return out, 0
    changes = np.diff(np.concatenate([[1], good.astype(np.int8), [1]]))
    longest = 0
    starts, ends = np.flatnonzero(changes < 0).tolist(), np.flatnonzero(changes > 0).tolist()
    for first, last in zip(starts, ends, strict=True):
        longest = max(longest, last - first)
        # Twice the gap on either side: a cubic over more would not follow a transition that is as short as the period.
        reach = min(math.ceil(width), max(2 * (last - first), 6))
        near = np.arange(max(0, first - reach), min(len(row), last + reach))
        near = near[good[near]]
        out[first:last] = _bridge(near, out, np.arange(first, last))
    return out, longest


def _bridge(near: NDArray[np.int64], values: Array, at: NDArray[np.int64]) -> Array:
    """Values in a gap by a cubic fitted to the lit samples near it on either side; lower degree with few of them or
    on one side."""
    if len(near) == 0:
        return np.full(len(at), float(np.mean(values)))
    both = near[0] < at[0] and near[-1] > at[-1]
    degree = min(3 if both else 0, len(near) - 1)
    scale = max(1.0, float(near[-1] - near[0]) / 2)
    centre = float(at.mean())
    design = np.vander((near - centre) / scale, degree + 1)
    coefficients, *_ = np.linalg.lstsq(design, values[near], rcond=None)
    return np.asarray(np.vander((at - centre) / scale, degree + 1) @ coefficients)


@dataclass(frozen=True)
class Removal:
    """Light without ripple, and what it cost."""

    light: Array
    """[segment, sample]"""
    way: str
    """divide, window, or none."""
    window_s: float = 0.0
    """Length of the window averaged over; 0: none."""
    gap_s: float = 0.0
    """Longest gap that was filled; 0: none."""


def remove_ripple(light: Array, ripple: Ripple, interval_s: float, way: str = "auto") -> Removal:
    """Light with the ripple taken out.

    Args:
        light: [segment, sample].
        ripple: as found in the steady captures.
        way: auto, divide, window, none.
    """
    width = 1 / (ripple.frequency_hz * interval_s) if ripple.frequency_hz > 0 else 0.0
    if way == "auto":
        way = way_for(ripple, width)
    if way == "none" or width < 2 or width > light.shape[1] / 2:
        return Removal(light, "none")
    base = running_mean(light, width)
    if way == "window" or ripple.waveform is None:
        return Removal(base, "window", width * interval_s)
    phases = find_phases(light, base, ripple, interval_s)
    edges = steep_edges(ripple.waveform, width)
    out, gap = np.empty_like(light), 0
    wave, edge = np.empty(0), np.empty(0, dtype=np.bool_)
    for i, row in enumerate(light):
        if i == 0 or not phases.locked:
            turns = turns_along(float(phases.turns[i]), float(phases.frequency_hz[i]) * interval_s, np.arange(light.shape[1]))
            wave, edge = waveform_at(ripple.waveform, turns), waveform_at(edges, turns) > 0
        out[i], longest = divided(row, wave, edge, width)
        gap = max(gap, longest)
    return Removal(out, "divide", gap_s=gap * interval_s)


def way_for(ripple: Ripple, period: float) -> str:
    """How this ripple is best removed, with so many samples a period."""
    if ripple.kind in ("none", "dither", "strobe"):
        return "none"
    if ripple.waveform is None or not ripple.phase_stable or period < LEAST_PERIOD:
        return "window"
    return "divide"
