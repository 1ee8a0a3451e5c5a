"""Delay from the command to the light: waiting, scan position, noise, and records that can't tell it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.delay.estimator import DelayEstimator, DelayParameters, sensor_lag_s
from greystep.plugins.analysis.delay.onset import detection_threshold
from greystep.plugins.analysis.delay.scan import scan_offset_s, waiting_time_s
from greystep.plugins.analysis.motion.crossing import Rise, rising_crossing
from greystep.schema.dut import Sensor
from greystep.schema.figure import Component, Figure
from greystep.schema.trace import Context, Transition
from greystep.schema.uncertainty import combine

from ..motion import traces

ESTIMATOR, PARAMETERS = DelayEstimator(), DelayParameters()
TAU_S = 4e-3


def figures(subject: Transition, context: Context | None = None, **changes: float) -> dict[str, Figure]:
    """Figures of one transition by quantity."""
    parameters = DelayParameters(**changes) if changes else PARAMETERS  # type: ignore[arg-type]
    return traces.by_quantity(ESTIMATOR.estimate(subject, context or traces.context(), parameters))


def test_waiting_time_of_an_asynchronous_command() -> None:
    """60 Hz: mean 8.333 333 ms, standard deviation 4.811 252 ms. Reference checks 2.2 [derived]."""
    mean_s, sd_s = waiting_time_s(60.0)
    assert mean_s * 1e3 == pytest.approx(8.333333, abs=5e-7)
    assert sd_s * 1e3 == pytest.approx(4.811252, abs=5e-7)


def test_row_offset_of_the_scan() -> None:
    """1080 active of 1125 lines at 60 Hz: line 14.814 815 us, middle 8.0 ms, whole scan 16.0 ms. Reference checks 2.2
    [derived; the total of 1125 lines from memory of CTA-861]."""
    assert pytest.approx(14.814815, abs=5e-7) == 1 / 60 / 1125 * 1e6
    assert scan_offset_s(60.0, 0.5, 1080 / 1125) == pytest.approx(8e-3, rel=1e-12)
    assert scan_offset_s(60.0, 1.0) == pytest.approx(16e-3, rel=1e-12)


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.05])
@pytest.mark.parametrize("rising", [True, False])
def test_instants_of_an_exponential(noise: float, rising: bool) -> None:
    """t_p = -tau ln(1 - p) after the change (reference checks 1.3 [derived])."""
    found = figures(traces.transition(traces.exponential(TAU_S), noise=noise, rising=rising, repeats=10))
    for name, part in (("delay_first_light", 0.05), ("delay_50", 0.5)):
        expected = traces.LATENCY_S - TAU_S * np.log(1 - part)
        assert not found[name].bound
        assert abs(found[name].value - expected) <= combine(found[name].budget).expanded, name


def test_pattern_sources_own_delay_is_subtracted_and_budgeted() -> None:
    subject = traces.transition(traces.exponential(TAU_S))
    plain, less = figures(subject), figures(replace(subject, command_delay_s=2e-3))
    for name in plain:
        assert less[name].value == pytest.approx(plain[name].value - 2e-3, abs=1e-12)
        line = next(c for c in less[name].budget if c.shared == "command_delay")
        assert abs(line.effect) == pytest.approx(2e-4)


def test_spread_of_an_asynchronous_scan_is_reported_repeat_by_repeat() -> None:
    """400 repeats: mean and standard deviation of the wait within four standard errors of T/2 and T/sqrt(12)."""
    subject = traces.transition(traces.exponential(TAU_S), repeats=400, wait_s=1 / 60, rate_hz=10e3, hold_s=0.1, noise=0.01)
    found = figures(subject)["delay_50"]
    mean_s, sd_s = waiting_time_s(60.0)
    expected = traces.LATENCY_S + TAU_S * np.log(2) + mean_s
    assert abs(found.value - expected) < 4 * sd_s / np.sqrt(400)
    assert found.detail["standard_deviation_s"] == pytest.approx(sd_s, rel=0.15)
    assert found.detail["minimum_s"] == pytest.approx(traces.LATENCY_S + TAU_S * np.log(2), abs=5e-4)
    assert found.detail["maximum_s"] == pytest.approx(traces.LATENCY_S + TAU_S * np.log(2) + 1 / 60, abs=5e-4)
    assert combine(found.budget).u == pytest.approx(found.detail["standard_deviation_s"] / 20, rel=0.1)


def test_scan_position_of_the_sensor_is_stated() -> None:
    context = replace(traces.context(), sensor=Sensor(scan_fraction=0.25))
    found = figures(traces.transition(traces.instant), context)["delay_50"]
    assert found.detail["scan_fraction"] == 0.25
    assert found.detail["scan_offset_s"] == pytest.approx(4e-3)


@pytest.mark.parametrize("noise", [0.02, 0.1])
def test_noise_makes_no_early_first_light(noise: float) -> None:
    """A raw first crossing of 5 % would stand at the record's beginning; this one stays within its uncertainty."""
    for seed in range(10):
        subject = traces.transition(traces.exponential(TAU_S), noise=noise, repeats=10, seed=seed)
        found = figures(subject)["delay_first_light"]
        expected = traces.LATENCY_S - TAU_S * np.log(1 - found.detail["threshold"])
        assert abs(found.value - expected) < 0.35e-3, seed


def test_noise_that_hides_first_light_gives_an_upper_bound() -> None:
    found = figures(traces.transition(traces.exponential(TAU_S), noise=0.3, repeats=10))["delay_first_light"]
    assert found.bound == "<="
    assert "noisy" in found.flags
    assert found.value > traces.LATENCY_S - TAU_S * np.log(1 - 0.05)


def test_detection_threshold_falls_with_finer_sampling() -> None:
    assert detection_threshold(0.1, 1.0, 1e-5, 1e-3) == pytest.approx(0.02)
    assert detection_threshold(0.1, -2.0, 1e-5, 1e-3) == pytest.approx(0.01)


def test_crossing_is_the_change_point_and_no_spike() -> None:
    trace = np.concatenate((np.zeros(50), np.ones(50)))
    trace[10] = 1.0
    assert rising_crossing(trace, 0.5) == pytest.approx(49.5)
    assert rising_crossing(np.ones(5), 0.5) == 0.0
    assert rising_crossing(np.zeros(5), 0.5) == 4.0


@pytest.mark.parametrize("name", ["step", "slow", "ripple", "noise", "overshoot", "never"])
@pytest.mark.parametrize("samples", [1, 40, 127, 128, 129, 5000])
def test_least_running_sum_by_blocks_is_that_of_every_sample(name: str, samples: int) -> None:
    seed = np.random.SeedSequence().entropy
    print("seed", seed)
    rng = np.random.default_rng(seed)
    t = np.arange(samples) / samples - 0.4
    unit = {
        "step": (t > 0) * 1.0,
        "slow": np.clip(0.5 + t / 2, 0, 1),
        "ripple": (t > 0) + 0.7 * np.sin(60 * t),
        "noise": rng.normal(0.5, 1.0, samples),
        "overshoot": 1.3 * (t > 0) - 0.6 * (t > 0.2),
        "never": np.full(samples, 0.2),
    }[name] + rng.normal(0, 0.05, samples)
    rise = Rise(unit)
    for level in (0.05, 0.4, 0.5, 0.6, 0.93):
        for stop in (samples, int(rng.integers(1, samples + 1))):
            sums = np.cumsum(unit[:stop] - level)
            i = int(sums.argmin())
            found = rise.crossing(level, stop)
            if sums[i] >= 0:
                assert found == 0.0
            elif i + 1 == stop:
                assert found == stop - 1
            else:
                assert i <= found <= i + 1


def test_taken_without_a_sync_edge_has_no_delay() -> None:
    found = figures(traces.transition(traces.instant), traces.context(origin="attended"))
    assert all(not f.measurable and "without a sync edge" in f.reason for f in found.values())


def test_import_without_a_step_time_has_no_delay() -> None:
    subject = replace(traces.transition(traces.instant), start_s=0.0)
    found = figures(subject, traces.context(origin="imported"))
    assert all(not f.measurable and "step_time_s" in f.reason for f in found.values())
    assert all(f.measurable for f in figures(traces.transition(traces.instant), traces.context(origin="imported")).values())


def test_light_before_the_command_is_refused() -> None:
    found = figures(replace(traces.transition(traces.instant), start_s=-0.06))
    assert all(not f.measurable for f in found.values())


def test_group_figure_is_the_mean_over_the_transitions() -> None:
    parts = [
        Figure("delay_50", v, "s", 0, i, (Component("scatter over repeats", 1e-4, 9, "A"),), repeats=10)
        for i, v in enumerate((0.01, 0.02), 1)
    ]
    (mean,) = ESTIMATOR.summarise(parts, traces.context(), PARAMETERS)
    assert (mean.value, mean.from_level, mean.to_level) == (pytest.approx(0.015), None, None)
    assert combine(mean.budget).u == pytest.approx(1e-4 / np.sqrt(2))


def test_sensor_lag_of_equal_poles() -> None:
    """One pole: tau = 1/(2 pi f) [derived]; 159 154.943 Hz is 1 us (reference checks 1.4)."""
    assert sensor_lag_s(159154.943, 1) == pytest.approx(1e-6, rel=1e-6)
    assert sensor_lag_s(1e3, 4) == pytest.approx(4 * np.sqrt(2**0.25 - 1) / (2 * np.pi * 1e3))


def test_explanation_states_the_threshold() -> None:
    assert "8 % of the step" in ESTIMATOR.explain(DelayParameters(first_light_fraction=0.08))
