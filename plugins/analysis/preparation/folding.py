"""Folding a trace over a period: the waveform, its phase in a segment, and how well a period fits (epoch folding).

Epoch folding (Leahy et al. 1983) sees a short dip as well as a sine: it takes all harmonics at once.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


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
    template, _ = _stack(rows[start : start + 1], np.zeros(1), interval_s, frequency_hz, bins)
    place = bins_of(samples, interval_s, frequency_hz, 0.0, bins)
    profiles = np.array([np.bincount(place, row, bins) for row in rows])
    phases = np.zeros(len(rows))
    u = template
    for _ in range(turns):
        phases = np.array([-match(p, template) for p in profiles])
        template, u = _stack(rows, phases, interval_s, frequency_hz, bins)
    return template, u, phases


def _stack(rows: Array, phases: Array, interval_s: float, frequency_hz: float, bins: int) -> tuple[Array, Array]:
    """Waveform and standard error from segments with known phases; empty bins from their neighbours."""
    sums, squares, counts = np.zeros(bins), np.zeros(bins), np.zeros(bins)
    for row, phase in zip(rows, phases, strict=True):
        place = bins_of(rows.shape[1], interval_s, frequency_hz, float(phase), bins)
        sums += np.bincount(place, row, bins)
        squares += np.bincount(place, row * row, bins)
        counts += np.bincount(place, minlength=bins)
    filled = np.flatnonzero(counts > 0)
    n = counts[filled]
    mean = sums[filled] / n
    variance = np.maximum(squares[filled] / n - mean**2, 0) * n / np.maximum(n - 1, 1)
    everywhere = np.arange(bins)
    wave = np.interp(everywhere, filled, mean, period=bins)
    u = np.interp(everywhere, filled, np.sqrt(variance / n), period=bins)
    return wave, u
