"""The flicker estimator: the same figure at any sampling rate, noise that does not pose as modulation, honest uncertainty."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.flicker.estimator import QUANTITIES, FlickerEstimator, FlickerParameters
from greystep.plugins.analysis.flicker.fundamental import find_fundamental
from greystep.plugins.analysis.flicker.waveform import cycle
from greystep.schema.figure import Figure
from greystep.schema.flags import FIGURE_FLAGS
from greystep.schema.quantities import QUANTITIES as KNOWN
from greystep.schema.trace import Context, Steady
from greystep.schema.uncertainty import combine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from . import lights

ESTIMATOR, PARAMETERS = FlickerEstimator(), FlickerParameters()
WAVES = {
    "sine": (lights.sine(0.3), 0.3, 0.095492966),
    "rectangle": (lights.rectangle(1, 0.2, 0.3), 0.666667, 0.38181818),
    "pulse": (lights.rectangle(1, 0, 0.25), 1.0, 0.75),
    "triangle": (lights.triangle(0.4), 0.4, 0.1),
    "rectified": (lights.rectified, 1.0, 0.210513662),
}
RELATIVE = ("modulation_depth", "flicker_index", "stroboscopic_visibility")


def figures(subject: Steady, context: Context | None = None, parameters: FlickerParameters = PARAMETERS) -> dict[str, Figure]:
    """Figures of one level by quantity."""
    return lights.by_quantity(ESTIMATOR.estimate(subject, context or lights.context(), parameters))


@pytest.mark.parametrize("name", sorted(WAVES))
@pytest.mark.parametrize("hz", [60.0, 100.0, 240.3, 480.0, 973.1])
def test_figures_of_known_waveforms(name: str, hz: float) -> None:
    """Depth and index: reference checks 4.2 [derived]."""
    wave, depth, index = WAVES[name]
    found = figures(lights.held(wave, hz, rate_hz=200e3))
    assert found["flicker_frequency"].value == pytest.approx(hz, rel=2e-5)
    assert found["modulation_depth"].value == pytest.approx(depth, rel=0.01)
    assert found["flicker_index"].value == pytest.approx(index, rel=0.01)


@pytest.mark.parametrize(
    ("hz", "name", "svm"), [(100.0, "sine", 0.3 * 3.84728), (240.0, "pulse", 5.05478), (120.0, "triangle", 0.4 * 2.98808)]
)
def test_visibility_of_known_waveforms(hz: float, name: str, svm: float) -> None:
    """Reference checks 4.4 [derived], tolerance 0.1 %."""
    found = figures(lights.held(WAVES[name][0], hz, rate_hz=200e3, length_s=0.5))
    assert found["stroboscopic_visibility"].value == pytest.approx(svm, rel=1e-3)


def test_visibility_of_one_second_at_20_kilosamples() -> None:
    """FFT of 1 s at 20 kS/s: sine 3.847 278, square 4.902 854 at 100 Hz (reference checks 4.4, run there)."""
    sine = figures(lights.held(lights.sine(1.0), 100.0, rate_hz=20e3, length_s=1.0))
    square = figures(lights.held(lights.rectangle(1, 0, 0.5), 100.0, rate_hz=20e3, length_s=1.0))
    assert sine["stroboscopic_visibility"].value == pytest.approx(3.847278, rel=1e-3)
    assert square["stroboscopic_visibility"].value == pytest.approx(4.902854, rel=1e-3)


def test_two_tones_count_together() -> None:
    """100 + 200 Hz of 0.2 each: 0.847 357 573; with 100 + 270 Hz no period fits both, and the second line still counts."""

    def light(second: float) -> Steady:
        t = np.arange(10000) / 20e3
        s = 1 + 0.2 * np.sin(2 * np.pi * 100 * t) + 0.2 * np.sin(2 * np.pi * second * t)
        return Steady(255, np.array([s, s]), 1 / 20e3)

    assert figures(light(200.0))["stroboscopic_visibility"].value == pytest.approx(0.847357573, rel=1e-3)
    t100, t270 = 0.259924, 2.865e-5 * 270**1.543 + 0.225
    expected = ((0.2 / t100) ** 3.7 + (0.2 / t270) ** 3.7) ** (1 / 3.7)
    assert figures(light(270.0))["stroboscopic_visibility"].value == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("name", sorted(WAVES))
@pytest.mark.parametrize("hz", [100.0, 240.3])
def test_same_figure_within_one_percent_at_three_sampling_rates(name: str, hz: float) -> None:
    found = [figures(lights.held(WAVES[name][0], hz, rate_hz=r, length_s=0.5)) for r in (12e3, 50e3, 200e3)]
    for quantity in RELATIVE:
        values = [f[quantity].value for f in found]
        bounds = [f[quantity].bound for f in found]
        assert bounds == ["", "", ""]
        assert max(values) / min(values) - 1 < 0.01, (quantity, values)


def test_edges_that_fold_back_do_not_pass_for_a_lower_fundamental() -> None:
    """Harmonics of a square wave above half the sampling rate fold back to 46 Hz here; the fundamental is 240.3 Hz."""
    for seed in range(5):
        light = lights.held(lights.rectangle(1, 0.2, 0.3), 240.3, rate_hz=5e3, seed=seed).light
        found = find_fundamental(light, 2e-4, 20.0)
        assert found is not None
        assert found.frequency_hz == pytest.approx(240.3, rel=1e-3)


def test_a_weak_true_fundamental_is_found_below_the_strongest_line() -> None:
    t = np.arange(20000) / 50e3
    light = 1 + 0.3 * np.sin(2 * np.pi * 240 * t) + 0.03 * np.sin(2 * np.pi * 60 * t + 1.0)
    found = figures(Steady(255, np.array([light] * 3), 2e-5))
    assert found["flicker_frequency"].value == pytest.approx(60.0, rel=1e-4)
    assert found["modulation_depth"].value == pytest.approx((light.max() - light.min()) / (light.max() + light.min()), rel=2e-3)


@pytest.mark.parametrize("noise", [0.003, 0.03, 0.3])
def test_noise_does_not_pose_as_modulation(noise: float) -> None:
    """No modulation: bounds that hold the truth (0) and shrink with the noise, and no frequency."""
    for seed in range(10):
        found = figures(lights.held(lights.steady_light, 1.0, noise=noise, seed=seed))
        assert not found["flicker_frequency"].measurable
        for quantity in RELATIVE:
            assert found[quantity].bound == "<="
            assert found[quantity].reason
        # Plain extremes of this record would claim about four standard deviations.
        assert found["modulation_depth"].value < noise


def test_noise_does_not_lift_the_figures_of_a_modulation() -> None:
    depth = np.array(
        [figures(lights.held(lights.sine(0.1), 120.0, noise=0.1, seed=s))["modulation_depth"].value for s in range(30)]
    )
    index = np.array(
        [figures(lights.held(lights.sine(0.1), 120.0, noise=0.1, seed=s))["flicker_index"].value for s in range(30)]
    )
    assert abs(depth.mean() - 0.1) < 0.008
    assert abs(index.mean() - 0.1 / math.pi) < 0.001


@pytest.mark.parametrize("name", ["sine", "rectangle", "triangle"])
@pytest.mark.parametrize("noise", [0.01, 0.1])
def test_stated_uncertainty_covers_the_truth(name: str, noise: float) -> None:
    """95 % intervals of 40 records: at least 34 hold the truth (binomial, 3 sigma)."""
    wave, depth, index = WAVES[name]
    held = {"modulation_depth": 0, "flicker_index": 0, "flicker_frequency": 0}
    truth = {"modulation_depth": depth, "flicker_index": index, "flicker_frequency": 240.3}
    for seed in range(40):
        found = figures(lights.held(wave, 240.3, noise=noise, seed=seed, rate_hz=20e3))
        for quantity, value in truth.items():
            held[quantity] += abs(found[quantity].value - value) <= combine(found[quantity].budget).expanded
    assert all(n >= 34 for n in held.values()), held


def test_noise_never_shrinks_the_stated_uncertainty() -> None:
    def mean_u(quantity: str, noise: float) -> float:
        us = [
            combine(figures(lights.held(lights.sine(0.3), 120.0, noise=noise, seed=s, rate_hz=20e3))[quantity].budget).u
            for s in range(10)
        ]
        return float(np.mean(us))

    for quantity in ("modulation_depth", "flicker_index", "stroboscopic_visibility"):
        stated = [mean_u(quantity, n) for n in (0.001, 0.01, 0.1)]
        assert stated == sorted(stated), quantity


@settings(max_examples=20, deadline=None)
@given(st.sampled_from(sorted(WAVES)), st.floats(1e-3, 1e3), st.integers(0, 10000))
def test_gain_changes_nothing(name: str, gain: float, seed: int) -> None:
    plain = figures(lights.held(WAVES[name][0], 240.3, rate_hz=20e3, noise=0.01, seed=seed))
    scaled = figures(lights.held(WAVES[name][0], 240.3, rate_hz=20e3, noise=0.01, seed=seed, gain=gain))
    for quantity in QUANTITIES:
        assert scaled[quantity].value == pytest.approx(plain[quantity].value, rel=1e-5), quantity


@settings(max_examples=20, deadline=None)
@given(st.floats(0.1, 5.0), st.integers(0, 10000))
def test_offset_dilutes_the_modulation(offset: float, seed: int) -> None:
    plain = figures(lights.held(lights.sine(0.5), 240.3, rate_hz=20e3, seed=seed))
    diluted = figures(lights.held(lights.sine(0.5), 240.3, rate_hz=20e3, seed=seed, offset=offset))
    for quantity in RELATIVE:
        assert diluted[quantity].value == pytest.approx(plain[quantity].value / (1 + offset), rel=1e-3), quantity


def test_dark_level_enters_with_its_sensitivity() -> None:
    """dFI/d(offset) = -FI/mean [derived]."""
    found = figures(lights.held(lights.sine(0.5), 240.3), lights.context(dark_u_v=0.01))
    line = next(c for c in found["flicker_index"].budget if c.shared == "dark")
    assert line.effect == pytest.approx(-0.5 / math.pi * 0.01, rel=1e-3)


@pytest.mark.parametrize("level", [0.0, -0.2])
def test_no_light_means_no_relative_modulation(level: float) -> None:
    found = figures(lights.held(lambda phase: np.full_like(phase, level), 100.0, noise=0.01))
    for figure in found.values():
        assert not figure.measurable
        assert "undefined" in figure.reason
        assert "noisy" in figure.flags


def test_slow_sensor_gives_a_lower_bound() -> None:
    found = figures(lights.held(lights.sine(0.5), 5000.0, rate_hz=200e3), lights.context(bandwidth_hz=5e3))
    for quantity in RELATIVE:
        assert found[quantity].bound == ">="
        assert "below_sensor" in found[quantity].flags


def test_slow_sampling_gives_a_lower_bound_of_the_visibility() -> None:
    found = figures(lights.held(lights.rectangle(1, 0, 0.5), 100.3, rate_hz=3e3, length_s=1.0))
    assert found["stroboscopic_visibility"].bound == ">="
    assert "1500 Hz" in found["stroboscopic_visibility"].reason


def test_clipped_top_gives_a_lower_bound() -> None:
    subject = lights.held(lights.sine(0.5), 240.0)
    found = figures(replace(subject, light=np.minimum(subject.light, 1.2), flags=("clipped",)))
    assert found["modulation_depth"].bound == ">="
    assert "clipped" in found["modulation_depth"].flags


def test_wandering_phase_gives_a_lower_bound() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(20000) / 50e3
    rows = [1 + 0.3 * np.sin(2 * np.pi * 200 * t + 25 * np.cumsum(rng.standard_normal(len(t))) / 300) for _ in range(4)]
    found = figures(Steady(255, np.array(rows), 2e-5))
    assert found["modulation_depth"].bound in (">=", "<=")
    assert found["modulation_depth"].reason


def test_zone_follows_depth_and_says_what_the_uncertainty_leaves_open() -> None:
    """100 Hz: no effect to 3.33 %, low risk to 8 % [memory]."""
    for m, expected in ((0.02, 0), (0.05, 1), (0.12, 2)):
        found = figures(lights.held(lights.sine(m), 100.0, noise=0.001))["ieee1789_zone"]
        assert found.value == expected
    edge = figures(lights.held(lights.sine(0.08), 100.0, noise=0.05, rate_hz=10e3))["ieee1789_zone"]
    assert edge.detail["lowest_zone"] < edge.detail["highest_zone"]


def test_threshold_curve_is_named_and_changes_the_figure() -> None:
    logistic = FlickerParameters(svm_curve="logistic")
    subject = lights.held(lights.sine(0.3), 1000.0, rate_hz=50e3)
    found = figures(subject, parameters=logistic)["stroboscopic_visibility"]
    assert found.value == pytest.approx(0.3 / 0.973190, rel=1e-3)
    assert found.detail["logistic_curve"] == 1.0
    assert "logistic" in ESTIMATOR.explain(logistic)
    assert "power-law" in ESTIMATOR.explain(PARAMETERS)
    assert "PstLM is not given" in ESTIMATOR.explain(PARAMETERS)


def test_group_figures_are_those_of_the_brightest_level() -> None:
    parts = [
        *ESTIMATOR.estimate(lights.held(lights.sine(0.4), 240.0, level=64), lights.context(), PARAMETERS),
        *ESTIMATOR.estimate(lights.held(lights.sine(0.2), 240.0, level=255), lights.context(), PARAMETERS),
    ]
    whole = lights.by_quantity(ESTIMATOR.summarise(parts, lights.context(), PARAMETERS))
    assert whole["modulation_depth"].value == pytest.approx(0.2, rel=1e-3)
    assert whole["modulation_depth"].to_level is None
    assert whole["modulation_depth"].detail["level"] == 255.0


def test_cycle_for_pictures_is_one_period_with_mean_one() -> None:
    subject = lights.held(lights.rectangle(1, 0.2, 0.3), 240.3)
    phase, wave = cycle(subject.light, subject.interval_s, 240.3)
    assert (phase[0], phase[-1]) == (pytest.approx(0.5 / 256), pytest.approx(1 - 0.5 / 256))
    assert wave.mean() == pytest.approx(1.0)
    assert np.mean(wave > 1) == pytest.approx(0.3, abs=0.01)


def test_units_and_quantities_are_those_of_the_list() -> None:
    for name, figure in figures(lights.held(lights.sine(0.3), 240.0)).items():
        assert figure.unit == KNOWN[name].unit
        assert figure.from_level is None
        assert figure.to_level == 255


@settings(max_examples=60, deadline=None)
@given(
    arrays(
        np.float64,
        st.tuples(st.integers(0, 3), st.integers(0, 300)),
        elements=st.floats(-1e6, 1e6, width=32) | st.sampled_from([np.nan, np.inf, 0.0, 1.0]),
    ),
    st.sampled_from([1e-6, 1e-4, 1e-2]),
)
def test_no_record_raises_or_gives_a_bare_number(light: np.ndarray, interval_s: float) -> None:
    for figure in ESTIMATOR.estimate(Steady(128, light, interval_s), lights.context(), PARAMETERS):
        if not figure.measurable or figure.bound:
            assert figure.reason
        elif figure.quantity != "ieee1789_zone":
            assert combine(figure.budget).u > 0
        assert set(figure.flags) <= set(FIGURE_FLAGS)
        assert all(np.isfinite(v) for v in figure.detail.values())
