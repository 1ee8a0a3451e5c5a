"""Spectrum of the light relative to its mean, and the amplitudes of single lines."""

from __future__ import annotations

import numpy as np
from greystep.schema.trace import Array


def relative_spectrum(light: Array, interval_s: float) -> tuple[Array, Array]:
    """Amplitude spectrum, Hann window, root mean square over the repeats: a full sine reads 1 at its frequency.

    Args:
        light: [repeat, sample].
        interval_s: between samples.

    Returns:
        [bin] frequencies in Hz; [bin] amplitude relative to the mean light.
    """
    samples = light.shape[1]
    window = np.hanning(samples)
    means = light.mean(axis=1, keepdims=True)
    spectra = np.abs(np.fft.rfft((light - means) * window, axis=1)) * (2.0 / window.sum())
    mean = float(np.mean(means))
    amplitude = np.asarray(np.sqrt(np.mean(spectra**2, axis=0)) / mean, dtype=np.float64)
    return np.asarray(np.fft.rfftfreq(samples, interval_s), dtype=np.float64), amplitude


def line_powers(light: Array, interval_s: float, frequencies_hz: Array, noise: float) -> Array:
    """Squared relative amplitude of sines at given frequencies, less what white noise adds to it.

    C^2 = |2 sum(w x exp(-2 pi i f t)) / sum(w)|^2 / mean^2 - 4 noise^2 sum(w^2) / (sum(w) mean)^2 with a Hann window w.

    Args:
        light: [repeat, sample].
        interval_s: between samples.
        frequencies_hz: [line].
        noise: standard deviation of one sample.

    Returns:
        [repeat, line]; may be negative where there is only noise.
    """
    samples = light.shape[1]
    window = np.hanning(samples)
    means = light.mean(axis=1, keepdims=True)
    weighted = (light - means) * window
    angle = -2j * np.pi * interval_s * np.arange(samples)
    out = np.empty((len(light), len(frequencies_hz)))
    for k, f in enumerate(frequencies_hz):
        out[:, k] = np.abs(weighted @ np.exp(angle * f)) ** 2
    level = 4.0 * noise**2 * float(np.sum(window**2)) / window.sum() ** 2
    return np.asarray((out * (2.0 / window.sum()) ** 2 - level) / means**2)


def harmonics(fundamental_hz: float, highest_hz: float) -> Array:
    """[line] multiples of the fundamental up to a frequency, that one included."""
    count = int(highest_hz / fundamental_hz * (1.0 + 1e-6))
    return fundamental_hz * np.arange(1, count + 1, dtype=np.float64)


def other_lines(light: Array, interval_s: float, known_hz: Array, lowest_hz: float, highest_hz: float) -> Array:
    """[line] frequencies of significant sines that are none of the known ones, at most 16, strongest first.

    A line stands above the threshold that white noise passes once in 10^6 records, and is more than 1e-3 of the light.
    """
    frequencies, amplitude = relative_spectrum(light, interval_s)
    step = float(frequencies[1])
    floor = float(np.median(amplitude[3:] ** 2)) / np.log(2.0)
    threshold = max(floor * -np.log(1e-6 / len(amplitude)), 1e-6)
    inside = (frequencies >= lowest_hz) & (frequencies <= highest_hz) & (amplitude**2 > threshold)
    inside[1:-1] &= (amplitude[1:-1] >= amplitude[:-2]) & (amplitude[1:-1] >= amplitude[2:])
    found: list[float] = []
    for i in sorted(np.flatnonzero(inside[1:-1]) + 1, key=lambda j: -float(amplitude[j])):
        place = float(frequencies[i]) + step * peak_offset(amplitude[i - 1 : i + 2])
        taken = np.append(known_hz, found)
        if not len(taken) or float(np.min(np.abs(taken - place))) > 4.0 * step:
            found.append(place)
    return np.array(found[:16])


def peak_offset(three: Array) -> float:
    """Place of the top of a parabola through three logarithms, in bins."""
    a, b, c = np.log(np.maximum(three, 1e-300))
    curvature = a - 2.0 * b + c
    return float(0.5 * (a - c) / curvature) if curvature < 0 else 0.0
