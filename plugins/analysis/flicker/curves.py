"""Waveform, spectrum and limits of the modulation for pictures."""

from __future__ import annotations

import numpy as np
from greystep.schema.drawn import DrawnCurve
from greystep.schema.trace import Array, Steady

from .fundamental import find_fundamental
from .ieee1789 import limit_lines
from .spectrum import relative_spectrum
from .waveform import cycle

_BINS = 600
_HIGHEST_HZ = 4000.0
WAVEFORM, SPECTRUM, LIMITS = "flicker-waveform", "flicker-spectrum", "flicker-limits"


def flicker_curves(subject: Steady, lowest_hz: float) -> list[DrawnCurve]:
    """Cycle of the fundamental (where there is one), amplitude spectrum, and the limits of IEEE Std 1789-2015."""
    light = subject.light[np.isfinite(subject.light).all(axis=1)] if subject.light.size else subject.light
    if not light.size or light.shape[1] < 64 or float(np.mean(light)) <= 0:
        return []
    name = f"level {subject.level}"
    out = []
    lowest = max(lowest_hz, 4 / (light.shape[1] * subject.interval_s))
    found = find_fundamental(light, subject.interval_s, lowest)
    if found is not None:
        phase, wave = cycle(light, subject.interval_s, found.frequency_hz)
        axes = ("time within the cycle, ms", "light relative to its mean")
        times_ms = 1e3 * phase / found.frequency_hz
        out.append(DrawnCurve(WAVEFORM, f"One cycle, {found.frequency_hz:.5g} Hz", name, times_ms, wave, *axes))
    frequencies, amplitude = relative_spectrum(light, subject.interval_s)
    inside = (frequencies >= 0.5 * lowest_hz) & (frequencies <= _HIGHEST_HZ)
    x, y = _peaks(frequencies[inside], amplitude[inside])
    axes = ("frequency, Hz", "amplitude, % of the mean")
    out.append(DrawnCurve(SPECTRUM, "Spectrum of the light", name, x, 100 * np.maximum(y, 1e-7), *axes, log_x=True))
    return out + _limits()


def _limits() -> list[DrawnCurve]:
    hz = np.geomspace(10.0, 3000.0, 60)
    title, axes = "Zones of IEEE Std 1789-2015", ("frequency, Hz", "modulation depth, %")
    names = ("no observable effect below", "low risk below")
    return [
        DrawnCurve(LIMITS, title, name, hz, 100 * line, *axes, log_x=True, reference=True)
        for name, line in zip(names, limit_lines(hz), strict=True)
    ]


def _peaks(x: Array, y: Array) -> tuple[Array, Array]:
    """At most `_BINS` points; each stands for the greatest of its bin, so that no line is lost."""
    if len(x) <= _BINS:
        return x, y
    starts = np.unique(np.geomspace(1, len(x), _BINS).astype(np.intp) - 1)
    return x[starts], np.maximum.reduceat(y, starts)
