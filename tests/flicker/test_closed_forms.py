"""Closed forms of temporal light modulation. Values: collection of reference checks, section 4; marks beside each."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.plugins.analysis.flicker.extent import flicker_index, modulation_depth, unbiased_depth, unbiased_index
from greystep.plugins.analysis.flicker.ieee1789 import (
    ABOVE,
    LOW_RISK,
    NO_EFFECT,
    limit_lines,
    low_risk_limit,
    no_effect_limit,
    zone,
)
from greystep.plugins.analysis.flicker.spectrum import harmonics, line_powers, relative_spectrum
from greystep.plugins.analysis.flicker.stroboscopic import stroboscopic_visibility, threshold
from greystep.plugins.analysis.flicker.waveform import cycle

from . import lights

PHASE = (np.arange(100_000) + 0.5) / 100_000


@pytest.mark.parametrize(
    ("wave", "depth", "index"),
    [
        (lights.steady_light, 0.0, 0.0),
        (lights.sine(1.0), 1.0, 0.318309886),
        (lights.sine(0.3), 0.3, 0.095492966),
        (lights.rectangle(1, 0, 0.1), 1.0, 0.9),
        (lights.rectangle(1, 0, 0.25), 1.0, 0.75),
        (lights.rectangle(1, 0, 0.5), 1.0, 0.5),
        (lights.rectangle(1, 0, 0.9), 1.0, 0.1),
        (lights.rectangle(1, 0.2, 0.3), 0.666667, 0.38181818),
        (lights.rectangle(1, 0.5, 0.5), 0.333333, 0.16666667),
        (lights.triangle(0.4), 0.4, 0.1),
        (lights.sawtooth(0.4), 0.4, 0.1),
        (lights.rectified, 1.0, 0.210513662),
    ],
)
def test_depth_and_index_of_waveforms(wave: lights.Wave, depth: float, index: float) -> None:
    """Section 4.2 [derived], tolerance 1e-4 with at least 1000 samples a period."""
    light = wave(PHASE)
    assert modulation_depth(light) == pytest.approx(depth, abs=1e-4)
    assert flicker_index(light) == pytest.approx(index, abs=1e-4)
    assert unbiased_depth(light, light) == pytest.approx(modulation_depth(light), abs=1e-12)
    assert unbiased_index(light, light) == pytest.approx(flicker_index(light), abs=1e-12)


def test_index_is_free_of_gain_and_not_of_offset() -> None:
    light = lights.sine(0.5)(PHASE)
    assert flicker_index(7.3 * light) == pytest.approx(flicker_index(light), rel=1e-12)
    assert flicker_index(light + 1.0) == pytest.approx(flicker_index(light) / 2, rel=1e-9)


def test_depth_and_index_are_undefined_at_mean_zero() -> None:
    assert math.isnan(flicker_index(np.zeros(8)))
    assert math.isnan(modulation_depth(np.zeros(8)))
    assert math.isnan(flicker_index(lights.sine(1.0)(PHASE) - 1.0))


@pytest.mark.parametrize(
    ("hz", "low_risk", "no_effect"),
    [
        (60, 1.5, 0.6),
        (90, 7.2, 2.997),
        (100, 8.0, 3.33),
        (120, 9.6, 3.996),
        (240, 19.2, 7.992),
        (480, 38.4, 15.984),
        (1250, 100.0, 41.625),
        (3000, math.inf, 99.9),
    ],
)
def test_ieee_1789_limits(hz: float, low_risk: float, no_effect: float) -> None:
    """Section 4.3 [memory; 8 % at 100 Hz seen second-hand]."""
    assert 100 * low_risk_limit(hz) == pytest.approx(low_risk)
    assert 100 * no_effect_limit(hz) == pytest.approx(no_effect)


def test_ieee_1789_zones() -> None:
    assert [zone(100, m) for m in (0.033, 0.034, 0.08, 0.081)] == [NO_EFFECT, LOW_RISK, LOW_RISK, ABOVE]
    assert zone(5000, 1.0) == NO_EFFECT
    low, high = limit_lines(np.array([60.0, 100.0, 4000.0]))
    assert low == pytest.approx([0.006, 0.0333, 1.0])
    assert high == pytest.approx([0.015, 0.08, 1.0])


@pytest.mark.parametrize(
    ("hz", "power_law", "svm", "logistic"),
    [
        (80, 0.249751, 4.00399, 0.242880),
        (100, 0.259924, 3.84728, 0.256275),
        (120, 0.271270, 3.68636, 0.275684),
        (240, 0.359831, 2.77908, 0.414598),
        (400, 0.521554, 1.91735, 0.618648),
        (1000, 1.444339, 0.69236, 0.973190),
        (2000, 3.778153, 0.26468, 0.999845),
    ],
)
def test_threshold_curves(hz: float, power_law: float, svm: float, logistic: float) -> None:
    """Section 4.4: power law [verified: article quoting IEC TR 63158], logistic [memory]."""
    at = np.array([float(hz)])
    assert threshold(at, "power-law")[0] == pytest.approx(power_law, abs=1e-6)
    assert threshold(at, "logistic")[0] == pytest.approx(logistic, abs=1e-6)
    assert stroboscopic_visibility(at, np.ones(1), "power-law") == pytest.approx(svm, rel=2e-5)


def _series(kind: str, k: np.ndarray) -> np.ndarray:
    """Relative Fourier amplitudes [derived]."""
    if kind == "sine":
        return (k == 1).astype(float)
    if kind == "triangle":
        return np.where(k % 2 == 1, 8 / (np.pi * k) ** 2, 0.0)
    if kind == "rectified":
        return 2 / (4 * k**2 - 1)
    duty = float(kind)
    return 2 * np.abs(np.sin(np.pi * k * duty)) / (np.pi * k * duty)


KINDS = ("sine", "0.5", "0.25", "0.1", "0.75", "triangle")
SVM = {
    100: dict(zip(KINDS, (3.84728, 4.90265, 7.14672, 8.44578, 2.38224, 3.11853), strict=True)) | {"rectified": 2.565637},
    120: dict(zip(KINDS, (3.68636, 4.69639, 6.81058, 7.92678, 2.27019, 2.98808), strict=True)),
    240: dict(zip(KINDS, (2.77908, 3.53888, 5.05478, 5.65301, 1.68493, 2.25264), strict=True)),
    480: dict(zip(KINDS, (1.61839, 2.06066, 2.92564, 3.22477, 0.97521, 1.31182), strict=True)),
    960: dict(zip(KINDS, (0.72998, 0.92944, 1.31729, 1.44538, 0.43910, 0.59170), strict=True)),
}


@pytest.mark.parametrize(("hz", "kind"), [(hz, kind) for hz, row in SVM.items() for kind in row])
def test_visibility_by_fourier_series(hz: int, kind: str) -> None:
    """Section 4.4 [derived]: harmonics up to 2 kHz inclusive, power-law threshold."""
    f = harmonics(float(hz), 2000.0)
    assert f[-1] <= 2000.0 < f[-1] + hz
    amplitudes = _series(kind, np.arange(1, len(f) + 1))
    assert stroboscopic_visibility(f, amplitudes, "power-law") == pytest.approx(SVM[hz][kind], rel=2e-5)


def test_visibility_of_one_and_of_two_tones() -> None:
    """A sine at 100 Hz of depth T(100) gives 1; 100 + 200 Hz of 0.2 each give 0.847 357 573 [derived]."""
    at = np.array([100.0])
    assert stroboscopic_visibility(at, threshold(at, "power-law"), "power-law") == pytest.approx(1.0, rel=1e-12)
    two = stroboscopic_visibility(np.array([100.0, 200.0]), np.array([0.2, 0.2]), "power-law")
    assert two == pytest.approx(0.847357573, rel=1e-8)


def test_visibility_leaves_out_what_is_outside_80_to_2000_hz() -> None:
    f = np.array([79.0, 80.0, 2000.0, 2001.0])
    both = stroboscopic_visibility(f, np.array([0, 1.0, 1.0, 0]), "power-law")
    assert stroboscopic_visibility(f, np.ones(4), "power-law") == pytest.approx(both)
    assert stroboscopic_visibility(f[:1], np.ones(1), "power-law") == 0.0


def test_spectrum_reads_the_amplitude_of_a_sine() -> None:
    light = lights.held(lights.sine(0.4), 100.0, length_s=1.0, rate_hz=20e3).light
    frequencies, amplitude = relative_spectrum(light, 5e-5)
    assert frequencies[np.argmax(amplitude)] == pytest.approx(100.0)
    assert amplitude.max() == pytest.approx(0.4, rel=1e-3)


def test_noise_is_taken_off_the_lines() -> None:
    rng = np.random.default_rng(3)
    light = 1 + 0.1 * rng.standard_normal((400, 2000))
    powers = line_powers(light, 1e-4, np.array([100.0, 333.0, 1500.0]), 0.1)
    assert np.abs(powers.mean(axis=0)).max() < 4 * powers.std() / 20


PUBLISHED_CONTRAST = {0.9375: 46.5, 1.875: 47.3, 3.75: 48.0, 7.5: 50.9, 15.0: 58.2}
"""Nominal contrast in % that gives the root mean square of 80 % at 30 Hz, display with tau 6.6 ms.

Hallum and Cloherty, PLoS ONE 16(3):e0248180 (2021) [verified].
"""


def _rms_after_first_order(frequency_hz: float, tau_s: float = 6.6e-3) -> float:
    """Root mean square over amplitude of a 50 % square wave after a first-order display, from its folded cycle."""
    interval_s, periods = 1 / frequency_hz / 4096, 4
    t = np.arange(4096 * periods) * interval_s
    half = 0.5 / frequency_hz
    place = t % (2 * half)
    # Steady state between -a and a: each half starts where the other ended.
    end = math.tanh(half / (2 * tau_s))
    rise = 1 - (1 + end) * np.exp(-place / tau_s)
    fall = -1 + (1 + end) * np.exp(-(place - half) / tau_s)
    light = 2.0 + np.where(place < half, rise, fall)
    _, wave = cycle(np.array([light]), interval_s, frequency_hz, 1024)
    return float(np.sqrt(np.mean((wave * light.mean() - 2.0) ** 2)))


@pytest.mark.parametrize("frequency_hz", [0.9375, 1.875, 3.75, 7.5, 15.0, 30.0])
def test_temporal_contrast_of_a_first_order_display(frequency_hz: float) -> None:
    """rms/A = sqrt(1 - tanh(a)/a), a = 1/(4 f tau) [derived]; published contrasts within 1.1 %."""
    a = 1 / (4 * frequency_hz * 6.6e-3)
    assert _rms_after_first_order(frequency_hz) == pytest.approx(math.sqrt(1 - math.tanh(a) / a), rel=1e-4)
    if frequency_hz in PUBLISHED_CONTRAST:
        needed = 80 * _rms_after_first_order(30.0) / _rms_after_first_order(frequency_hz)
        assert needed == pytest.approx(PUBLISHED_CONTRAST[frequency_hz], rel=0.011)


def test_temporal_contrast_halves_from_1_to_30_hz() -> None:
    """Ratio rms(30 Hz)/rms(1 Hz) = 0.578, "only approximately half" [derived + verified]."""
    assert _rms_after_first_order(30.0) / _rms_after_first_order(1.0) == pytest.approx(0.578, abs=1e-3)
