"""The fundamental frequency of a modulation: strongest line, refined between the bins, and whether a lower one carries it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Array

from ..preparation.ripple import refine_frequency
from .spectrum import line_powers, peak_offset, relative_spectrum

FALSE_ALARM = 1e-6
"""Chance that white noise alone passes for a modulation, a level."""
LEAST_AMPLITUDE = 1e-4
"""Smaller modulations, relative to the light, move no figure."""
PARTS = 8
"""Stretches of a record whose phases are compared."""


@dataclass(frozen=True)
class Fundamental:
    """A modulation that stands above the noise."""

    frequency_hz: float
    u_frequency_hz: float
    """From the phases of the strongest line over the record."""
    coherent: bool
    """Whether one phase fits each whole record."""


def hidden_amplitude(light: Array, interval_s: float, lowest_hz: float) -> float:
    """Relative amplitude of a sine that the search would just find: what the noise can hide.

    The power of a bin of white noise is exponential; its mean is the median / ln 2, and ln(bins / FALSE_ALARM) times that is
    passed by one record in a million.
    """
    frequencies, amplitude = relative_spectrum(light, interval_s)
    inside = frequencies >= lowest_hz
    floor = float(np.median(amplitude[inside] ** 2)) / math.log(2.0)
    return math.sqrt(floor * math.log(np.count_nonzero(inside) / FALSE_ALARM))


def find_fundamental(light: Array, interval_s: float, lowest_hz: float) -> Fundamental | None:
    """Find the fundamental of a held level, or None when there is only noise.

    Args:
        light: [repeat, sample].
        interval_s: between samples.
        lowest_hz: slower changes are drift.
    """
    frequencies, amplitude = relative_spectrum(light, interval_s)
    first = max(3, int(np.searchsorted(frequencies, lowest_hz)))
    if len(amplitude) - first < 8:
        return None
    peak = int(np.argmax(amplitude[first:])) + first
    if amplitude[peak] <= max(hidden_amplitude(light, interval_s, lowest_hz), LEAST_AMPLITUDE):
        return None
    step = float(frequencies[1])
    strongest_hz = refine_frequency(light, interval_s, float(frequencies[peak]), step)
    part = _divisor(light, interval_s, amplitude, strongest_hz, lowest_hz)
    u_hz, coherent = _phase_run(light, interval_s, strongest_hz)
    return Fundamental(strongest_hz / part, u_hz / part, coherent)


def _divisor(light: Array, interval_s: float, amplitude: Array, strongest_hz: float, lowest_hz: float) -> int:
    """Largest k up to 8 so that the strongest line divided by k is a line of its own, at that place exactly.

    The harmonics of an edge above half the sampling rate fold back to all sorts of places; one that stands near a fraction
    of the strongest line must not pass for its fundamental, so the place has to agree within a tenth of a bin.
    """
    samples = light.shape[1]
    step = 1.0 / (samples * interval_s)
    floor = hidden_amplitude(light, interval_s, lowest_hz)
    strongest = math.sqrt(max(float(line_powers(light, interval_s, np.array([strongest_hz]), 0.0).mean()), 0.0))
    least = max(floor, 0.01 * strongest)
    for k in range(8, 1, -1):
        guess = strongest_hz / k
        if guess < lowest_hz:
            continue
        around = np.array([guess - 0.5 * step, guess, guess + 0.5 * step])
        three = np.sqrt(np.maximum(line_powers(light, interval_s, around, 0.0).mean(axis=0), 0.0))
        offset = 0.5 * peak_offset(three)
        wander = 0.3 * floor / max(three[1], 1e-300)
        if three[1] > least and abs(offset) < 0.1 + wander and three[1] >= 0.98 * float(np.max(three)):
            return k
    return 1


def _phase_run(light: Array, interval_s: float, frequency_hz: float) -> tuple[float, bool]:
    """Standard uncertainty of a frequency from the scatter of the phase over each record, and whether that phase holds."""
    size = light.shape[1] // PARTS
    if size < 4:
        return math.inf, True
    cut = light[:, : size * PARTS].reshape(len(light), PARTS, size)
    window = np.hanning(size)
    turn = np.exp(-2j * np.pi * frequency_hz * interval_s * np.arange(size * PARTS)).reshape(PARTS, size)
    local = np.mean((cut - light.mean(axis=1)[:, None, None]) * window * turn, axis=2)
    together, apart = np.abs(local.mean(axis=1)), np.sqrt((np.abs(local) ** 2).mean(axis=1))
    coherent = float(np.mean(together / np.maximum(apart, 1e-300))) > 0.9
    phase = np.angle(local * np.conj(local.mean(axis=1, keepdims=True)))
    u_phase = float(np.sqrt(np.mean(phase**2)))
    # Slope of a straight line through PARTS phases: variance 12 / (PARTS^3 spacing^2) times that of one phase.
    spacing_s = size * interval_s
    return u_phase * math.sqrt(12.0 / (PARTS**3 * len(light))) / (2.0 * math.pi * spacing_s), coherent
