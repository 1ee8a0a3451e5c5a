"""Periodic modulation of the light of held levels: find it, tell what it is, and take its waveform.

- PWM of a backlight: deep, any frequency, the same relative waveform at every level.
- strobe: the light is off for most of each refresh.
- refresh: the small dips of a self-luminous panel when its pixels are written, at the refresh rate or a multiple.
- dither: a small modulation at the refresh rate or a part of it, at some levels only: it is no property of the backlight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Ripple, Steady
from numpy.typing import NDArray

Array = NDArray[np.float64]

PHASES = 256
"""Points of a waveform."""
FALSE_ALARM = 1e-6
"""Chance that white noise alone passes for a ripple, a level."""
LEAST_DEPTH = 2e-4
"""A modulation smaller than this part of the light is left alone: it moves no figure."""


@dataclass(frozen=True)
class Tone:
    """The strongest periodic component of one held level."""

    frequency_hz: float
    u_frequency_hz: float
    amplitude: float
    """Relative to the mean light."""
    coherent: bool
    """Whether one phase fits a whole record."""


def spectrum(light: Array, interval_s: float) -> tuple[Array, Array]:
    """Mean power spectrum of the segments, Hann window, mean removed.

    Args:
        light: [segment, sample].
        interval_s: between samples.

    Returns:
        [bin] frequencies in Hz and [bin] power (arbitrary scale).
    """
    n = light.shape[1]
    window = np.hanning(n)
    centred = (light - light.mean(axis=1, keepdims=True)) * window
    power = np.mean(np.abs(np.fft.rfft(centred, axis=1)) ** 2, axis=0)
    return np.fft.rfftfreq(n, interval_s), power


def find_tone(light: Array, interval_s: float, lowest_hz: float = 20.0) -> Tone | None:
    """The fundamental of the modulation of a held level, or None when there is nothing but noise.

    Args:
        light: [segment, sample].
        interval_s: between samples, in s.
        lowest_hz: slower changes are drift.
    """
    mean = float(light.mean())
    n = light.shape[1]
    if mean <= 0 or n < 32:
        return None
    frequencies, power = spectrum(light, interval_s)
    first = max(3, int(np.searchsorted(frequencies, lowest_hz)))
    if len(power) - first < 8:
        return None
    band = power[first:]
    floor = float(np.median(band)) / math.log(2)
    # The mean of m exponential variables exceeds this with the chance FALSE_ALARM over all bins, or less.
    threshold = floor * -math.log(FALSE_ALARM / len(band))
    peak = int(np.argmax(band)) + first
    if power[peak] <= threshold:
        return None
    peak = _fundamental(power, peak, threshold, first)
    frequency = refine_frequency(light, interval_s, float(frequencies[peak]), 1 / (n * interval_s))
    amplitude, coherence, u = _coherence(light, interval_s, frequency)
    return Tone(frequency, u, amplitude / mean, coherence > 0.9)


def _fundamental(power: Array, peak: int, threshold: float, first: int) -> int:
    """The lowest bin of which the strongest is a multiple and which stands out itself."""
    for part in range(8, 1, -1):
        guess = round(peak / part)
        if guess < first:
            continue
        near = slice(max(first, guess - 1), guess + 2)
        best = int(np.argmax(power[near])) + near.start
        local = power[best] >= power[max(first, best - 3) : best + 4].max()
        if local and power[best] > max(threshold, 1e-4 * power[peak]) and abs(best * part - peak) <= part:
            return best
    return peak


def _projections(light: Array, interval_s: float, frequency_hz: float) -> NDArray[np.complex128]:
    t = np.arange(light.shape[1]) * interval_s
    window = np.hanning(light.shape[1])
    basis = np.exp(-2j * np.pi * frequency_hz * t) * window
    return np.asarray((light - light.mean(axis=1, keepdims=True)) @ basis * (2 / window.sum()))


def refine_frequency(light: Array, interval_s: float, guess_hz: float, width_hz: float) -> float:
    """Frequency of greatest power near a guess, by golden section; the segments' phases are free."""

    def loss(f: float) -> float:
        return -float(np.sum(np.abs(_projections(light, interval_s, f)) ** 2))

    low, high = guess_hz - width_hz, guess_hz + width_hz
    ratio = (math.sqrt(5) - 1) / 2
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    fa, fb = loss(a), loss(b)
    for _ in range(40):
        if fa < fb:
            high, b, fb = b, a, fa
            a = high - ratio * (high - low)
            fa = loss(a)
        else:
            low, a, fa = a, b, fb
            b = low + ratio * (high - low)
            fb = loss(b)
        if high - low < 1e-7 * guess_hz:
            break
    return 0.5 * (low + high)


def _coherence(light: Array, interval_s: float, frequency_hz: float) -> tuple[float, float, float]:
    """Amplitude of the fundamental, how much of it one phase a record explains, and the standard uncertainty of its frequency."""
    n = light.shape[1]
    parts = 8
    size = n // parts
    if size < 4:
        return 0.0, 0.0, math.inf
    cut = light[:, : size * parts].reshape(len(light), parts, size)
    t = np.arange(size * parts).reshape(parts, size) * interval_s
    turn = np.exp(-2j * np.pi * frequency_hz * t)
    local = 2 * np.mean((cut - light.mean(axis=1)[:, None, None]) * turn, axis=2)
    together, apart = np.abs(local.mean(axis=1)), np.sqrt((np.abs(local) ** 2).mean(axis=1))
    coherence = float(np.mean(together / np.maximum(apart, 1e-300)))
    phase = np.angle(local * np.conj(local.mean(axis=1, keepdims=True)))
    u_phase = float(np.sqrt(np.mean(phase**2))) / math.sqrt(parts * len(light))
    u = u_phase * math.sqrt(12) / (2 * math.pi * n * interval_s)
    return float(together.mean()), coherence, u


def fold(light: Array, interval_s: float, frequency_hz: float, phases: int = PHASES) -> Array:
    """Mean waveform over one period, segments aligned by the phase of their fundamental.

    Returns:
        [phase], mean 1; empty bins are filled from their neighbours.
    """
    t = np.arange(light.shape[1]) * interval_s
    total, count = np.zeros(phases), np.zeros(phases)
    for row in light:
        angle = float(np.angle(_projections(row[None], interval_s, frequency_hz)[0])) / (2 * math.pi)
        place = np.floor(((frequency_hz * t + angle) % 1.0) * phases).astype(np.intp) % phases
        total += np.bincount(place, row, phases)
        count += np.bincount(place, minlength=phases)
    filled = count > 0
    mean = np.interp(np.arange(phases), np.flatnonzero(filled), total[filled] / count[filled], period=phases)
    centre = float(mean.mean())
    return np.asarray(mean / centre) if centre > 0 else np.ones(phases)


def depth_of(waveform: Array) -> tuple[float, float]:
    """Modulation depth (max - min) / (max + min), and the part of the period above the mid line."""
    top, bottom = float(waveform.max()), float(waveform.min())
    middle = 0.5 * (top + bottom)
    return (top - bottom) / max(top + bottom, 1e-300), float(np.mean(waveform > middle))


def find_ripple(steadies: Sequence[Steady], refresh_rate_hz: float) -> Ripple:
    """The ripple of a group, from its brightest held levels.

    A modulation found at the brightest level and, with the same relative depth, at others belongs to the backlight or the
    refresh. One that is missing at the brightest level is dithering.
    """
    lit = sorted((s for s in steadies if s.light.size and np.isfinite(s.light).all()), key=lambda s: float(s.light.mean()))
    if not lit or lit[-1].light.mean() <= 0:
        return Ripple()
    top = lit[-1]
    tone = find_tone(top.light, top.interval_s)
    if tone is None or tone.amplitude < LEAST_DEPTH:
        return _dither(lit[:-1], refresh_rate_hz)
    waveform = fold(top.light, top.interval_s, tone.frequency_hz)
    depth, duty = depth_of(waveform)
    kind = classify(tone.frequency_hz, depth, duty, refresh_rate_hz)
    return Ripple(kind, tone.frequency_hz, depth, duty, tone.u_frequency_hz, tone.coherent, waveform)


def classify(frequency_hz: float, depth: float, duty: float, refresh_rate_hz: float) -> str:
    """pwm, strobe, or refresh.

    A strobe is dark for most of each refresh: at the refresh rate (or up to twice), nearly full depth, lit for under 60 %.
    Refresh dips stand at a whole multiple of the refresh rate and are short: lit for over 70 %, or shallow at the rate itself.
    """
    ratio = frequency_hz / refresh_rate_hz
    whole = max(1, round(ratio))
    locked = abs(ratio - whole) < 0.01 * whole
    if locked and whole <= 2 and depth > 0.8 and duty < 0.6:
        return "strobe"
    if locked and ((duty > 0.7 and whole <= 8) or (depth < 0.2 and whole <= 2)):
        return "refresh"
    return "pwm"


def _dither(lit: Sequence[Steady], refresh_rate_hz: float) -> Ripple:
    for steady in reversed(lit):
        tone = find_tone(steady.light, steady.interval_s, lowest_hz=min(10.0, refresh_rate_hz / 8))
        if tone is None or tone.amplitude < LEAST_DEPTH:
            continue
        share = refresh_rate_hz / tone.frequency_hz
        if abs(share - round(share)) < 0.02 * share and round(share) in (1, 2, 3, 4):
            depth, duty = depth_of(fold(steady.light, steady.interval_s, tone.frequency_hz, 64))
            return Ripple("dither", tone.frequency_hz, depth, duty, tone.u_frequency_hz, tone.coherent)
    return Ripple()
