"""Taking the backlight's ripple out of a trace.

Where the phase holds over a record, the trace is divided by the waveform (a published comparison puts the error of this way
at 2 % at most, that of a moving window at up to 46 %). Where the waveform comes close to zero, division would blow up the noise;
then light and its slope are fitted to the product with the waveform over one period (`fit_over_period`). Where the phase does not
hold, a window of exactly one period is left (`average_over_period`); its length is handed on, so that its bias can be corrected.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from greystep.schema.trace import Ripple
from numpy.typing import NDArray

Array = NDArray[np.float64]

DIVISIBLE: Final = 0.25
"""Least value of the waveform (mean 1) by which a trace is divided."""
HARMONICS: Final = 12
"""Harmonics that fix the phase."""


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


def harmonics(waveform: Array) -> NDArray[np.complex128]:
    """[k] complex coefficients of the harmonics 1, 2, ... of one period; point j of n stands for the phase (j + 1/2) / n."""
    n = len(waveform)
    order = np.arange(1, HARMONICS + 1)
    return np.asarray(np.fft.rfft(waveform)[1 : HARMONICS + 1] / n * np.exp(-1j * np.pi * order[: n // 2] / n))


def segment_phase(row: Array, base: Array, ripple: Ripple, interval_s: float) -> tuple[float, float]:
    """Phase at the first sample (in turns) and frequency (in Hz) of the ripple in one segment.

    Args:
        row: [sample] light.
        base: [sample] light with the ripple averaged away; the ripple's amplitude follows it.
        ripple: with its waveform.
    """
    if ripple.waveform is None:
        return 0.0, ripple.frequency_hz
    n, wave = len(row), harmonics(ripple.waveform)
    t = np.arange(n) * interval_s
    signal = (row - base) * base
    turn = np.exp(-2j * np.pi * ripple.frequency_hz * t)
    frequency = ripple.frequency_hz + _detuning(signal * turn, base, interval_s, ripple)
    if frequency != ripple.frequency_hz:
        turn = np.exp(-2j * np.pi * frequency * t)
    found = np.empty(len(wave), dtype=np.complex128)
    power = np.ones(n, dtype=np.complex128)
    for k in range(len(wave)):
        power = power * turn
        found[k] = (signal * power).sum()
    order = np.arange(1, len(wave) + 1)
    tries = np.arange(1024) / 1024
    match = np.real(np.exp(-2j * np.pi * np.outer(tries, order)) @ (found * np.conj(wave)))
    best = int(np.argmax(match))
    a, b, c = match[best - 1], match[best], match[(best + 1) % len(tries)]
    bend = a - 2 * b + c
    fine = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float((best + fine) / len(tries) % 1.0), frequency


PARTS: Final = 12
"""Stretches of a segment whose phases are compared."""


def _detuning(turned: NDArray[np.complex128], base: Array, interval_s: float, ripple: Ripple) -> float:
    """How far the segment's ripple is from the nominal frequency, in Hz; 0 when it can't be told.

    Only stretches in which the light rests count: a transition leaks into every frequency.
    """
    period = 1 / (interval_s * ripple.frequency_hz)
    edge = math.ceil(period / 2)
    size = math.floor((len(turned) - 2 * edge) / PARTS)
    if size < 2 * period:
        return 0.0
    inner = slice(edge, edge + PARTS * size)
    local = turned[inner].reshape(PARTS, size).sum(axis=1)
    held = base[inner].reshape(PARTS, size)
    rests = np.ptp(held, axis=1) < 0.03 * held.mean(axis=1)
    if rests.sum() < 5:
        return 0.0
    place, phasor = np.flatnonzero(rests).astype(np.float64), local[rests]
    weight = np.abs(phasor)
    phase = np.unwrap(np.angle(phasor)) / (2 * math.pi)
    place = place - np.average(place, weights=weight)
    spread = float((weight * place * place).sum())
    slope = float((weight * place * phase).sum()) / spread
    residual = phase - np.average(phase, weights=weight) - slope * place
    u = math.sqrt(float((weight * residual**2).sum()) / (len(place) - 2) / spread)
    # A shift that its own scatter explains would only add noise to the phase.
    limit = 4 * math.hypot(u / (size * interval_s), ripple.u_frequency_hz)
    shift = slope / (size * interval_s)
    return shift if abs(shift) > limit else 0.0


def waveform_at(ripple: Ripple, phase: float, frequency_hz: float, samples: int, interval_s: float) -> Array:
    """[sample] waveform (mean 1) along a segment."""
    assert ripple.waveform is not None
    points = len(ripple.waveform)
    place = (phase + frequency_hz * interval_s * np.arange(samples)) % 1.0 * points - 0.5
    return np.asarray(np.interp(place, np.arange(points), ripple.waveform, period=points))


def fit_over_period(row: Array, wave: Array, width: float) -> Array:
    """Light from `row = light * wave + noise`: straight line fitted by least squares over a window of one period around each sample.

    Args:
        row: [sample].
        wave: [sample], mean 1, may touch zero.
        width: of the window, in samples.
    """
    n = len(row)
    half = max(1, round(width / 2))
    u = np.arange(n) - n / 2
    low, high = np.clip(np.arange(n) - half, 0, n), np.clip(np.arange(n) + half + 1, 0, n)

    def over(values: Array) -> Array:
        total = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(total[high] - total[low])

    ww, wy = wave * wave, wave * row
    s0, s1, s2 = over(ww), over(ww * u), over(ww * u * u)
    r0, r1 = over(wy), over(wy * u)
    c1, c2, q1 = s1 - s0 * u, s2 - 2 * u * s1 + u * u * s0, r1 - u * r0
    determinant = s0 * c2 - c1 * c1
    flat = determinant < 1e-9 * s0 * s0 * width * width
    line = (c2 * r0 - c1 * q1) / np.where(flat, 1.0, determinant)
    return np.asarray(np.where(flat, r0 / np.maximum(s0, 1e-300), line))


def remove_ripple(light: Array, ripple: Ripple, interval_s: float, way: str = "auto") -> tuple[Array, float, str]:
    """Light with the ripple taken out.

    Args:
        light: [segment, sample].
        ripple: as found in the steady captures.
        way: auto, divide, fit, window, none.

    Returns:
        [segment, sample] light, the length of the window that was averaged over in s (0: none), and the way that was taken.
    """
    if way == "auto":
        way = way_for(ripple)
    width = 1 / (ripple.frequency_hz * interval_s) if ripple.frequency_hz > 0 else 0.0
    if way == "none" or width < 2 or width > light.shape[1] / 2:
        return light, 0.0, "none"
    base = running_mean(light, width)
    if way == "window" or ripple.waveform is None:
        return base, width * interval_s, "window"
    out = np.empty_like(light)
    for i, row in enumerate(light):
        phase, frequency = segment_phase(row, base[i], ripple, interval_s)
        wave = waveform_at(ripple, phase, frequency, light.shape[1], interval_s)
        out[i] = row / np.maximum(wave, 0.05) if way == "divide" else fit_over_period(row, wave, width)
    return out, (0.0 if way == "divide" else width * interval_s), way


def way_for(ripple: Ripple) -> str:
    """How this ripple is best removed."""
    if ripple.kind in ("none", "dither", "strobe"):
        return "none"
    if ripple.waveform is None or not ripple.phase_stable:
        return "window"
    return "divide" if float(ripple.waveform.min()) >= DIVISIBLE else "fit"
