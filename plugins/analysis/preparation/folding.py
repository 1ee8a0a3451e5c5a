"""Folding a trace over a period: the waveform, its phase in a segment, and how well a period fits (epoch folding).

Epoch folding (Leahy et al. 1983) sees a short dip as well as a sine: it takes all harmonics at once.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEEP: Final = 0.03
"""A change of the waveform over two samples above which the samples at the edge are left out: they saw part of each side."""


def bins_of(samples: int, interval_s: float, frequency_hz: float, phase: float, bins: int) -> NDArray[np.intp]:
    """[sample] bin of each sample; bin j of n stands for the phases from j/n to (j+1)/n."""
    turns = phase + frequency_hz * interval_s * np.arange(samples)
    return np.asarray(np.floor((turns - np.floor(turns)) * bins), dtype=np.intp) % bins


def folded(row: Array, weight: Array | None, place: NDArray[np.intp], bins: int) -> tuple[Array, Array]:
    """[bin] weighted sums and [bin] sums of weights."""
    weights = np.ones(len(row)) if weight is None else weight
    sums = np.bincount(place, row * weights, bins).astype(np.float64)
    return sums, np.bincount(place, weights, bins).astype(np.float64)


def fold_statistic(rows: Array, interval_s: float, frequency_hz: float, bins: int) -> float:
    """How much the bins differ, summed over segments with phases of their own: sum n (mean - total mean)^2."""
    place = bins_of(rows.shape[1], interval_s, frequency_hz, 0.0, bins)
    counts = np.maximum(np.bincount(place, minlength=bins), 1)
    total = 0.0
    for row in rows:
        sums = np.bincount(place, row, bins)
        total += float((sums * sums / counts).sum() - sums.sum() ** 2 / counts.sum())
    return total


def match(profile: Array, template: Array) -> float:
    """Phase in turns by which a folded profile lags the template: peak of the circular correlation, to a small part of a
    bin."""
    n = len(template)
    correlation = np.fft.irfft(np.fft.rfft(profile) * np.conj(np.fft.rfft(template - template.mean())), n)
    best = int(np.argmax(correlation))
    a, b, c = correlation[best - 1], correlation[best], correlation[(best + 1) % n]
    bend = a - 2 * b + c
    fine = 0.5 * (a - c) / bend if bend < 0 else 0.0
    turn = (best + fine) / n
    return float(turn - math.floor(turn))


def wrapped(turns: Array) -> Array:
    """Phase differences in turns, brought to -1/2..1/2."""
    return np.asarray(turns - np.round(turns))


def circular_mean(turns: Array, weights: Array | None = None) -> tuple[float, float]:
    """Mean phase in turns and its spread (0 together, large apart)."""
    w = np.ones(len(turns)) if weights is None else weights
    total = complex((w * np.exp(2j * np.pi * turns)).sum() / w.sum())
    length = min(abs(total), 1.0)
    spread = math.sqrt(max(-2 * math.log(length), 0.0)) / (2 * math.pi) if length > 0 else math.inf
    return math.atan2(total.imag, total.real) / (2 * math.pi) % 1.0, spread


def waveform_of(rows: Array, interval_s: float, frequency_hz: float, bins: int, turns: int = 4) -> tuple[Array, Array, Array]:
    """Mean waveform of segments whose phases are found by matching them with the waveform itself, a few times over.

    Args:
        rows: [segment, sample], each around its own mean.

    Returns:
        [bin] waveform (in the unit of `rows`), [bin] its standard error, [segment] phases.
    """
    samples = rows.shape[1]
    start = int(np.argmax(rows.var(axis=1)))
    template, _ = stacked(rows[start : start + 1], np.zeros(1), interval_s, frequency_hz, bins)
    place = bins_of(samples, interval_s, frequency_hz, 0.0, bins)
    profiles = np.array([np.bincount(place, row, bins) for row in rows])
    phases = np.zeros(len(rows))
    u = template
    for _ in range(turns):
        phases = np.array([-match(p, template) for p in profiles])
        template, u = stacked(rows, phases, interval_s, frequency_hz, bins)
    return template, u, phases


def stacked(rows: Array, phases: Array, interval_s: float, frequency_hz: float, bins: int) -> tuple[Array, Array]:
    """Waveform and standard error from segments with known phases; empty bins from their neighbours.

    The samples of a bin lie unevenly in it, always in the same places when the period is a whole number of samples: their
    mean is brought to the middle of the bin along the slope and the curvature of the waveform itself, except at steep edges.
    """
    sums, squares, counts = np.zeros(bins), np.zeros(bins), np.zeros(bins)
    aside, aside2 = np.zeros(bins), np.zeros(bins)
    for row, phase in zip(rows, phases, strict=True):
        turns = turns_along(float(phase), frequency_hz * interval_s, np.arange(rows.shape[1]))
        exact = (turns - np.floor(turns)) * bins
        place = np.minimum(exact.astype(np.intp), bins - 1)
        off = exact - place - 0.5
        sums += np.bincount(place, row, bins)
        squares += np.bincount(place, row * row, bins)
        counts += np.bincount(place, minlength=bins)
        aside += np.bincount(place, off, bins)
        aside2 += np.bincount(place, off * off, bins)
    filled = np.flatnonzero(counts > 0)
    everywhere = np.arange(bins)

    def spread(values: Array) -> Array:
        return np.asarray(np.interp(everywhere, filled, values, period=bins))

    n = counts[filled]
    mean, shift, wide = spread(sums[filled] / n), spread(aside[filled] / n), spread(aside2[filled] / n)
    slope, wave = np.zeros(bins), mean
    for _ in range(2):
        slope, bend = gradient_of(wave), np.roll(wave, -1) - 2 * wave + np.roll(wave, 1)
        gentle = np.abs(slope) < STEEP / 2
        wave = mean - np.where(gentle, slope * shift + bend * wide / 2, 0.0)
    inner = np.where(np.abs(slope) < STEEP / 2, slope * slope * (wide - shift * shift), 0.0)
    variance = np.maximum(squares[filled] / n - mean[filled] ** 2 - inner[filled], 0) * n / np.maximum(n - 1, 1)
    return wave, spread(np.sqrt(variance / n))


def gradient_of(waveform: Array) -> Array:
    """[point] slope of a waveform, a point."""
    return np.asarray((np.roll(waveform, -1) - np.roll(waveform, 1)) / 2)


def is_smooth(waveform: Array) -> bool:
    """Whether a waveform has no edge that passes within a point or two."""
    return float(np.abs(gradient_of(waveform)).max()) < STEEP / 2


def turns_along(phase: float, cycles: float, places: NDArray[np.intp]) -> Array:
    """[sample] phase in turns at these samples.

    Args:
        phase: at sample 0.
        cycles: a sample.
    """
    return np.asarray(phase + cycles * places, dtype=np.float64)


def waveform_at(waveform: Array, turns: Array) -> Array:
    """[sample] waveform at phases in turns; point j of n stands for the phase (j + 1/2) / n. Cubic between the points
    (Catmull and Rom 1974), which follows a dip of a dozen points to a small part of its depth."""
    points = len(waveform)
    place = (turns - np.floor(turns)) * points - 0.5
    whole = np.floor(place)
    x, i = place - whole, whole.astype(np.intp) + 2
    padded = np.concatenate([waveform[-2:], waveform, waveform[:3]])
    before, low, high, after = padded[i - 1], padded[i], padded[i + 1], padded[i + 2]
    cubic = 3 * (low - high) + after - before
    square = 2 * before - 5 * low + 4 * high - after
    return np.asarray(low + 0.5 * x * (high - before + x * (square + x * cubic)))


def tuned(rows: Array, interval_s: float, frequency_hz: float, waveform: Array, phases: Array) -> tuple[Array, float, float]:
    """Phases and frequency of a smooth waveform by least squares: one Gauss-Newton step.

    Args:
        rows: [segment, sample], each around its own mean.
        waveform: around its mean.
        phases: [segment] nearly right.

    Returns:
        [segment] phases in turns, change of the frequency in Hz, and its standard uncertainty.
    """
    slope = gradient_of(waveform) * len(waveform)
    time_s = interval_s * (np.arange(rows.shape[1]) - (rows.shape[1] - 1) / 2)
    sums = []
    for row, phase in zip(rows, phases, strict=True):
        turns = turns_along(float(phase), frequency_hz * interval_s, np.arange(rows.shape[1]))
        rise = waveform_at(slope, turns)
        off = row - waveform_at(waveform, turns)
        weight = rise * rise
        pull = rise * off
        timed = weight * time_s
        sums.append((weight.sum(), timed.sum(), timed @ time_s, pull.sum(), pull @ time_s, off @ off))
    s0, s1, s2, b0, b1, cost = np.array(sums).T
    held = np.maximum(s0, 1e-300)
    lever = float((s2 - s1 * s1 / held).sum())
    if lever <= 0:
        return phases, 0.0, math.inf
    change = float((b1 - s1 / held * b0).sum()) / lever
    middle = (b0 - s1 * change) / held
    u = math.sqrt(float(cost.sum()) / rows.size / lever)
    # The phase of a segment counts at its first sample.
    return np.asarray(phases + middle + change * time_s[0]) % 1.0, change, u
