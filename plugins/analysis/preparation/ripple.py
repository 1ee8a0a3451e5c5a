"""Periodic modulation of the light of held levels: find it, tell what it is, and take its waveform.

- PWM of a backlight: any frequency, the same relative waveform at every level.
- strobe: the light is off for most of each refresh.
- refresh: the small dips of a self-luminous panel when its pixels are written, at the refresh rate or a multiple.
- dither: a small modulation at the refresh rate or a part of it, at some levels only: no property of the backlight.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from greystep.schema.trace import Ripple, Steady
from numpy.typing import NDArray

from .folding import bins_of, circular_mean, fold_statistic, is_smooth, match, stacked, tuned, waveform_of, wrapped

Array = NDArray[np.float64]

FALSE_ALARM: Final = 1e-6
"""Chance that white noise alone passes for a ripple, a level."""
LEAST_DEPTH: Final = 2e-4
"""A fundamental smaller than this part of the light is left alone, unless the refresh explains it."""
MOST_PHASES: Final = 2048
"""Points of a waveform, at most; otherwise one a sample."""


@dataclass(frozen=True)
class Tone:
    """The fundamental of a modulation."""

    frequency_hz: float
    amplitude: float
    """Relative to the mean light."""


def spectrum(light: Array, interval_s: float) -> tuple[Array, Array]:
    """Mean power spectrum of the segments, Hann window, mean removed.

    Args:
        light: [segment, sample].
        interval_s: between samples.

    Returns:
        [bin] frequencies in Hz and [bin] power (arbitrary scale).
    """
    n = light.shape[1]
    centred = (light - light.mean(axis=1, keepdims=True)) * np.hanning(n)
    power = np.mean(np.abs(np.fft.rfft(centred, axis=1)) ** 2, axis=0)
    return np.asarray(np.fft.rfftfreq(n, interval_s), dtype=np.float64), np.asarray(power, dtype=np.float64)


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
    # One exponential variable exceeds this with the chance FALSE_ALARM over all bins; the mean of several does less often.
    threshold = floor * -math.log(FALSE_ALARM / len(band))
    peak = int(np.argmax(band)) + first
    if power[peak] <= threshold:
        return None
    peak = _fundamental(power, peak, threshold, first)
    frequency = refine_frequency(light, interval_s, float(frequencies[peak]), 1 / (n * interval_s))
    return Tone(frequency, float(np.abs(_projections(light, interval_s, frequency)).mean()) / mean)


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
    return _largest(lambda f: float(np.sum(np.abs(_projections(light, interval_s, f)) ** 2)), guess_hz, width_hz)


def _largest(score: Callable[[float], float], guess: float, width: float) -> float:
    """Argument of the maximum of a function with one peak, by golden section."""
    low, high = guess - width, guess + width
    ratio = (math.sqrt(5) - 1) / 2
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    fa, fb = score(a), score(b)
    for _ in range(40):
        if fa > fb:
            high, b, fb = b, a, fa
            a = high - ratio * (high - low)
            fa = score(a)
        else:
            low, a, fa = a, b, fb
            b = low + ratio * (high - low)
            fb = score(b)
        if high - low < 1e-7 * guess:
            break
    return 0.5 * (low + high)


def find_comb(light: Array, interval_s: float, refresh_rate_hz: float) -> float | None:
    """The frequency of a modulation of any shape at the refresh rate (within 0.5 %), or None when it does not stand out.

    Args:
        light: [segment, sample].
    """
    n = light.shape[1]
    if n * interval_s * refresh_rate_hz < 4 or refresh_rate_hz * interval_s > 0.1:
        return None
    rows = light - light.mean(axis=1, keepdims=True)
    bins = 32
    noise = float(np.mean(np.diff(light, axis=1) ** 2)) / 2
    dof = len(rows) * (bins - 1)
    # A chi-square variable exceeds this with a chance of about 1e-7 a try; 20 tries.
    threshold = noise * (dof + 6 * math.sqrt(2 * dof))
    width = min(0.005 * refresh_rate_hz, 0.5 / (n * interval_s))
    tries = refresh_rate_hz + np.linspace(-width, width, 21)
    scores = [fold_statistic(rows, interval_s, float(f), bins) for f in tries]
    best = int(np.argmax(scores))
    if noise > 0 and scores[best] <= threshold:
        return None
    return float(tries[best])


def find_ripple(steadies: Sequence[Steady], refresh_rate_hz: float) -> Ripple:
    """The ripple of a group, from its brightest held level.

    One that is missing there but found at a darker level is dithering.
    """
    lit = sorted((s for s in steadies if s.light.size and np.isfinite(s.light).all()), key=lambda s: float(s.light.mean()))
    if not lit or lit[-1].light.mean() <= 0:
        return Ripple()
    top = lit[-1]
    tone = find_tone(top.light, top.interval_s)
    frequency = tone.frequency_hz if tone is not None and tone.amplitude >= LEAST_DEPTH else None
    if frequency is None or _multiple(frequency, refresh_rate_hz) > 1:
        comb = find_comb(top.light, top.interval_s, refresh_rate_hz)
        if comb is not None and (frequency is None or _only_at_refresh(top, comb, frequency)):
            frequency = comb
    if frequency is None:
        return _dither(lit[:-1], refresh_rate_hz)
    return _described(top.light, top.interval_s, frequency, refresh_rate_hz)


def _multiple(frequency_hz: float, refresh_rate_hz: float) -> int:
    """Which multiple of the refresh rate a frequency is; 0 for none."""
    whole = round(frequency_hz / refresh_rate_hz)
    return whole if whole >= 1 and abs(frequency_hz - whole * refresh_rate_hz) < 0.01 * refresh_rate_hz * whole else 0


def _only_at_refresh(steady: Steady, comb_hz: float, tone_hz: float) -> bool:
    """Whether folding at the refresh rate explains clearly more than folding at its multiple does."""
    rows = steady.light - steady.light.mean(axis=1, keepdims=True)
    whole = max(1, round(tone_hz / comb_hz))
    slow = fold_statistic(rows, steady.interval_s, comb_hz, 32 * whole)
    fast = fold_statistic(rows, steady.interval_s, comb_hz * whole, 32)
    noise = float(np.mean(np.diff(steady.light, axis=1) ** 2)) / 2
    extra = len(rows) * 32 * (whole - 1)
    return slow - fast > max(noise * (extra + 6 * math.sqrt(2 * extra)), 0.2 * fast)


def _described(light: Array, interval_s: float, frequency_hz: float, refresh_rate_hz: float) -> Ripple:
    """Waveform, coherence and kind of the modulation at a frequency."""
    mean = float(light.mean())
    rows = light / light.mean(axis=1, keepdims=True) - 1
    bins = int(np.clip(round(1 / (frequency_hz * interval_s)), 8, MOST_PHASES))
    u_frequency, stable = 0.0, False
    for _ in range(3):
        wave, u, phases = waveform_of(rows, interval_s, frequency_hz, bins)
        shift, u_frequency, stable = _drift(rows, interval_s, frequency_hz, wave, phases)
        if abs(shift) < 2 * u_frequency or not stable:
            break
        frequency_hz += shift
    if is_smooth(wave):
        wave, u, frequency_hz, u_frequency = _tuned(rows, interval_s, frequency_hz, wave, phases, u, u_frequency)
    # A waveform's own noise would be the same in every repeat: where nothing stands out it is set to nothing.
    loud = np.abs(wave) > 4 * u
    wave = np.where(loud | np.roll(loud, 1) | np.roll(loud, -1), wave, 0.0)
    if not loud.any() or mean <= 0:
        return Ripple()
    if not stable and float(np.ptp(wave)) < 10 * float(np.median(u)):
        return Ripple()
    waveform = np.maximum(1 + wave, 0.0)
    waveform = waveform / waveform.mean()
    depth, duty = depth_of(waveform)
    kind = classify(frequency_hz, depth, duty, refresh_rate_hz)
    return Ripple(kind, frequency_hz, depth, duty, u_frequency, stable, waveform, float(np.sqrt(np.mean(u**2))))


def _tuned(
    rows: Array, interval_s: float, frequency_hz: float, wave: Array, phases: Array, u: Array, u_frequency: float
) -> tuple[Array, Array, float, float]:
    """Waveform, its standard error, frequency and its standard uncertainty, brought together by least squares.

    A record of a few periods tells the frequency only by the whole waveform; off by 1e-4 it would lay a dip beside the dip.
    """
    for _ in range(12):
        shifted, change, spread = tuned(rows, interval_s, frequency_hz, wave, phases)
        # A step beyond a few points of the waveform is none: the shape doesn't hold.
        if not math.isfinite(spread) or abs(change) * rows.shape[1] * interval_s > 0.05:
            break
        frequency_hz, phases, u_frequency = frequency_hz + change, shifted, spread
        wave, u = stacked(rows, phases, interval_s, frequency_hz, len(wave))
        if abs(change) < 0.2 * spread:
            break
    return wave, u, frequency_hz, u_frequency


def _drift(rows: Array, interval_s: float, frequency_hz: float, wave: Array, phases: Array) -> tuple[float, float, bool]:
    """How far the frequency is off (Hz), its standard uncertainty, and whether one phase holds over a record.

    Each segment is cut into stretches of whole periods, whose phases are matched with the waveform.
    """
    samples = rows.shape[1]
    parts = int(min(8, samples * interval_s * frequency_hz / 2))
    if parts < 3:
        return 0.0, 1 / (samples * interval_s), True
    size = samples // parts
    found = np.empty((len(rows), parts))
    bins = len(wave)
    for i, row in enumerate(rows):
        place = bins_of(samples, interval_s, frequency_hz, float(phases[i]), bins)
        for k in range(parts):
            cut = slice(k * size, (k + 1) * size)
            sums, counts = np.bincount(place[cut], row[cut], bins), np.bincount(place[cut], minlength=bins)
            found[i, k] = -match(np.where(counts > 0, sums / np.maximum(counts, 1), 0.0), wave)
    off = wrapped(found)
    centre, spread = circular_mean(off.ravel())
    off = wrapped(off - centre)
    x = np.arange(parts) - (parts - 1) / 2
    slopes = (off * x).sum(axis=1) / (x * x).sum() / (size * interval_s)
    residual = off - off.mean(axis=1, keepdims=True) - np.outer(slopes * size * interval_s, x)
    sigma = math.sqrt(float((residual**2).sum()) / max(len(rows) * (parts - 2), 1))
    # A sharp edge is seen to one bin, and where the period is a whole number of samples no average helps.
    u = math.hypot(sigma / math.sqrt(len(rows)), 0.29 / bins) / math.sqrt(float((x * x).sum())) / (size * interval_s)
    return float(slopes.mean()), u, spread < 0.1


def depth_of(waveform: Array) -> tuple[float, float]:
    """Modulation depth (max - min) / (max + min), and the part of the period above the mid line."""
    top, bottom = float(waveform.max()), float(waveform.min())
    middle = 0.5 * (top + bottom)
    return (top - bottom) / max(top + bottom, 1e-300), float(np.mean(waveform > middle))


def classify(frequency_hz: float, depth: float, duty: float, refresh_rate_hz: float) -> str:
    """pwm, strobe, or refresh.

    A strobe is dark for most of each refresh: at the refresh rate (or twice), nearly full depth, lit for under 60 %.
    Refresh dips stand at a whole multiple of the refresh rate and are short: lit for over 70 %, or shallow at the rate itself.
    """
    whole = _multiple(frequency_hz, refresh_rate_hz)
    if 1 <= whole <= 2 and depth > 0.8 and duty < 0.6:
        return "strobe"
    if (1 <= whole <= 8 and duty > 0.7) or (1 <= whole <= 2 and depth < 0.2):
        return "refresh"
    return "pwm"


def _dither(lit: Sequence[Steady], refresh_rate_hz: float) -> Ripple:
    for steady in reversed(lit):
        tone = find_tone(steady.light, steady.interval_s, lowest_hz=min(10.0, refresh_rate_hz / 8))
        if tone is None or tone.amplitude < LEAST_DEPTH:
            continue
        share = refresh_rate_hz / tone.frequency_hz
        if abs(share - round(share)) < 0.02 * share and round(share) in (1, 2, 3, 4):
            found = _described(steady.light, steady.interval_s, tone.frequency_hz, refresh_rate_hz)
            return Ripple("dither", tone.frequency_hz, found.depth, found.duty, found.u_frequency_hz, found.phase_stable)
    return Ripple()
