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

from .folding import bins_of, circular_mean, match, wrapped

Array = NDArray[np.float64]

LIT: Final = 0.15
"""Least value of the waveform (mean 1) by which a trace is divided; below it is a gap."""
LEAST_PERIOD: Final = 16
"""With fewer samples a period there is a window and no division: edges would fill the period."""
STEEP: Final = 0.03
"""A change of the waveform over two samples above which the samples at the edge are left out: they saw part of each side."""
TOGETHER: Final = 0.03
"""Spread of the segments' phases, in turns, below which they are taken as one phase locked to the trigger."""


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


@dataclass(frozen=True)
class Phases:
    """Where the ripple stands in each segment."""

    turns: Array
    """[segment] phase at the first sample."""
    frequency_hz: Array
    """[segment]"""


def find_phases(light: Array, base: Array, ripple: Ripple, interval_s: float) -> Phases:
    """Phase of the ripple in each segment, matched with its waveform where the light rests.

    Args:
        light: [segment, sample].
        base: [segment, sample] light with the ripple averaged away; the ripple's amplitude follows it.
        ripple: with its waveform.
    """
    assert ripple.waveform is not None
    bins, nominal = len(ripple.waveform), ripple.frequency_hz
    frequencies = np.array([nominal + _detuning(*pair, ripple, interval_s) for pair in zip(light, base, strict=True)])
    turns, strength = np.empty(len(light)), np.empty(len(light))
    for i, (row, mean) in enumerate(zip(light, base, strict=True)):
        use = _resting(mean, 1 / (nominal * interval_s))
        place = bins_of(light.shape[1], interval_s, float(frequencies[i]), 0.0, bins)[use]
        sums = np.bincount(place, ((row - mean) * mean)[use], bins)
        weight = np.bincount(place, (mean * mean)[use], bins)
        profile = np.where(weight > 0, sums / np.maximum(weight, 1e-300), 0.0)
        turns[i], strength[i] = -match(profile, ripple.waveform) % 1.0, float(weight.sum())
    # Segments that rest in the dark say little: where the bright ones agree, theirs is the phase of all.
    bright = strength > 0.3 * strength.max()
    locked, spread = circular_mean(turns[bright], strength[bright])
    if bright.sum() > 1 and spread < TOGETHER and bool((frequencies[bright] == nominal).all()):
        turns, frequencies = np.full(len(turns), locked), np.full(len(turns), nominal)
    return Phases(turns, frequencies)


def _resting(base: Array, width: float) -> NDArray[np.bool_]:
    """[sample] where the light hardly changes within a period, and a whole period lies around; everywhere when that is
    too little."""
    half = math.ceil(width / 2)
    n = len(base)
    change = np.zeros(n)
    if n > 2 * half:
        change[half : n - half] = np.abs(base[2 * half :] - base[: n - 2 * half])
    use = change < 0.02 * np.maximum(base, 0.2 * float(base.max()))
    use[:half], use[n - half :] = False, False
    return use if use.sum() > width else np.ones(n, dtype=np.bool_)


PARTS: Final = 12
"""Stretches of a segment whose phases are compared."""


def _detuning(row: Array, base: Array, ripple: Ripple, interval_s: float) -> float:
    """How far the segment's ripple is from the nominal frequency, in Hz; 0 when it can't be told.

    Only stretches in which the light rests count: a transition leaks into every frequency.
    """
    period = 1 / (interval_s * ripple.frequency_hz)
    edge = math.ceil(period / 2)
    size = math.floor((len(row) - 2 * edge) / PARTS)
    if size < 2 * period:
        return 0.0
    inner = slice(edge, edge + PARTS * size)
    turn = np.exp(-2j * np.pi * ripple.frequency_hz * interval_s * np.arange(PARTS * size))
    local = ((row - base)[inner] * base[inner] * turn).reshape(PARTS, size).sum(axis=1)
    held = base[inner].reshape(PARTS, size)
    rests = np.ptp(held, axis=1) < 0.03 * held.mean(axis=1)
    if rests.sum() < 5:
        return 0.0
    place, phasor = np.flatnonzero(rests).astype(np.float64), local[rests]
    weight = np.abs(phasor)
    if not weight.sum() > 0:
        return 0.0
    phase = wrapped(np.angle(phasor) / (2 * math.pi) - np.angle(phasor.sum()) / (2 * math.pi))
    place = place - np.average(place, weights=weight)
    spread = float((weight * place * place).sum())
    slope = float((weight * place * phase).sum()) / spread
    residual = phase - np.average(phase, weights=weight) - slope * place
    u = math.sqrt(float((weight * residual**2).sum()) / (len(place) - 2) / spread)
    # A shift that its own scatter explains would only add noise to the phase.
    limit = 4 * math.hypot(u / (size * interval_s), ripple.u_frequency_hz)
    shift = slope / (size * interval_s)
    return shift if abs(shift) > limit else 0.0


def waveform_at(waveform: Array, phase: float, frequency_hz: float, samples: int, interval_s: float) -> Array:
    """[sample] waveform (mean 1) along a segment; point j of n stands for the phase (j + 1/2) / n."""
    points = len(waveform)
    turns = phase + frequency_hz * interval_s * np.arange(samples)
    place = (turns - np.floor(turns)) * points - 0.5
    return np.asarray(np.interp(place, np.arange(points), waveform, period=points))


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
    for i, row in enumerate(light):
        at = (float(phases.turns[i]), float(phases.frequency_hz[i]), light.shape[1], interval_s)
        wave, edge = waveform_at(ripple.waveform, *at), waveform_at(edges, *at)
        out[i], longest = divided(row, wave, edge > 0, width)
        gap = max(gap, longest)
    return Removal(out, "divide", gap_s=gap * interval_s)


def way_for(ripple: Ripple, period: float) -> str:
    """How this ripple is best removed, with so many samples a period."""
    if ripple.kind in ("none", "dither", "strobe"):
        return "none"
    if ripple.waveform is None or not ripple.phase_stable or period < LEAST_PERIOD:
        return "window"
    return "divide"
