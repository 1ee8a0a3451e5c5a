"""The moving-edge estimator: right numbers with honest uncertainty, and no number where none is due."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.motion.estimator import HOLD_QUANTITIES, MovingEdgeEstimator, MovingEdgeParameters
from greystep.schema.dut import Sensor
from greystep.schema.figure import Component, Figure
from greystep.schema.flags import FIGURE_FLAGS
from greystep.schema.quantities import QUANTITIES
from greystep.schema.trace import Context, Transition
from greystep.schema.uncertainty import combine

from . import traces

ESTIMATOR, PARAMETERS = MovingEdgeEstimator(), MovingEdgeParameters()


def figures(subject: Transition, context: Context | None = None, **changes: float) -> dict[str, Figure]:
    """Figures of one transition by quantity."""
    parameters = MovingEdgeParameters(**changes) if changes else PARAMETERS  # type: ignore[arg-type]
    return traces.by_quantity(ESTIMATOR.estimate(subject, context or traces.context(), parameters))


@pytest.mark.parametrize("rising", [True, False])
@pytest.mark.parametrize("wait_s", [0.0, 1 / 60])
def test_asynchronous_repeats_do_not_smear_the_edge(rising: bool, wait_s: float) -> None:
    """60 Hz, tau 4 ms: BET 15.803801 ms, GET 16.084564 ms [derived]."""
    found = figures(traces.transition(traces.exponential(4e-3), wait_s=wait_s, rising=rising))
    assert found["blur_edge_time"].value == pytest.approx(15.803801e-3, rel=5e-4)
    assert found["extended_blur_edge_time"].value == pytest.approx(19.754751e-3, rel=5e-4)
    assert found["gaussian_edge_time"].value == pytest.approx(16.084564e-3, rel=1e-3)
    assert found["blur_width"].value == pytest.approx(15.803801e-3 * 960, rel=5e-4)


def test_units_and_quantities_are_those_of_the_list() -> None:
    for name, figure in figures(traces.transition(traces.instant)).items():
        assert figure.unit == QUANTITIES[name].unit
        assert set(figure.flags) <= set(FIGURE_FLAGS)


@pytest.mark.parametrize("noise", [0.01, 0.05])
def test_stated_uncertainty_covers_the_truth_at_its_rate(noise: float) -> None:
    """95 % intervals from 60 records of 6 repeats: between 88 and 100 % must hold the truth (binomial, 3 sigma)."""
    held = {"blur_edge_time": 0, "gaussian_edge_time": 0}
    truth = {"blur_edge_time": 15.803801e-3, "gaussian_edge_time": 16.084564e-3}
    for seed in range(60):
        subject = traces.transition(traces.exponential(4e-3), noise=noise, wait_s=1 / 60, seed=seed, rate_hz=20e3)
        found = figures(subject, refresh_rel_u=0.0)
        for name, value in truth.items():
            held[name] += abs(found[name].value - value) <= combine(found[name].budget).expanded
    assert all(53 <= n <= 60 for n in held.values()), held


def test_noise_never_shrinks_the_stated_uncertainty() -> None:
    def mean_u(noise: float) -> float:
        us = []
        for seed in range(12):
            subject = traces.transition(traces.exponential(4e-3), noise=noise, seed=seed, rate_hz=20e3)
            us.append(combine(figures(subject)["blur_edge_time"].budget).u)
        return float(np.mean(us))

    stated = [mean_u(noise) for noise in (0.0, 0.005, 0.02, 0.08)]
    assert stated == sorted(stated)


def test_one_repeat_has_an_uncertainty_from_its_noise_and_says_so() -> None:
    found = [
        figures(traces.transition(traces.exponential(4e-3), noise=0.02, repeats=1, seed=s, rate_hz=20e3))["blur_edge_time"]
        for s in range(40)
    ]
    assert all("few_repeats" in f.flags for f in found)
    scatter = float(np.std([f.value for f in found], ddof=1))
    stated = float(np.mean([combine(f.budget).u for f in found]))
    assert 0.6 < stated / scatter < 1.8


def test_budget_names_every_cause_and_marks_the_shared_ones() -> None:
    found = figures(traces.transition(traces.exponential(4e-3), noise=0.01, quantum=0.05))["blur_edge_time"]
    names = {c.name: c for c in found.budget}
    assert names["scatter over repeats"].kind == "A"
    assert names["scatter over repeats"].dof == 5
    assert {c.shared for c in found.budget} >= {"timebase", "refresh_rate", "sensor"}
    assert names["time base"].effect == pytest.approx(found.value * 5e-5)


def test_refresh_rate_as_stated_enters_with_its_sensitivity() -> None:
    """An instant pixel has BET = 0.8 T, so that dBET/BET = dT/T [derived]."""
    found = figures(traces.transition(traces.instant), refresh_rel_u=1e-3)["blur_edge_time"]
    line = next(c for c in found.budget if c.shared == "refresh_rate")
    assert abs(line.effect) == pytest.approx(found.value * 1e-3, rel=0.02)


def test_a_window_of_the_preparation_longer_than_the_edge_can_hold_is_a_message() -> None:
    subject = replace(traces.transition(traces.exponential(4e-3), rate_hz=5e3, hold_s=0.3), smoothing_s=0.15)
    found = figures(subject)["blur_edge_time"]
    assert not found.measurable
    assert "averaging of the preparation" in found.reason


def test_window_of_the_preparation_is_corrected_or_budgeted() -> None:
    """A 2 ms average over an exponential of 4 ms at 240 Hz lengthens the edge; the figure must hold the truth."""
    subject = traces.transition(traces.exponential(4e-3), rate_hz=50e3, hold_s=0.15)
    n = 100
    kernel = np.ones(n) / n
    light = np.array([np.convolve(row, kernel, "same") for row in subject.light])[:, n:-n]
    smooth = replace(subject, light=light, start_s=subject.start_s + n * subject.interval_s, smoothing_s=n * subject.interval_s)
    truth = figures(subject, traces.context(240))["blur_edge_time"].value
    naive = figures(replace(smooth, smoothing_s=0.0), traces.context(240))["blur_edge_time"].value
    found = figures(smooth, traces.context(240))["blur_edge_time"]
    assert abs(found.value - truth) < 0.35 * abs(naive - truth)
    assert abs(found.value - truth) <= combine(found.budget).expanded


@pytest.mark.parametrize("records", [3.0, 4.0])
def test_record_that_has_not_settled_gives_a_bound(records: float) -> None:
    """Reference checks 1.5: with the level from the end of a record of 3 tau the duration is 16.6 % short [derived]."""
    tau = 20e-3
    subject = traces.transition(traces.exponential(tau), hold_s=0.025 + records * tau)
    for figure in figures(subject).values():
        assert figure.bound == ">="
        assert "not_settled" in figure.flags
        assert figure.reason
        assert not figure.budget


def test_small_rest_of_the_change_is_budgeted() -> None:
    tau = 10e-3
    subject = traces.transition(traces.exponential(tau), hold_s=0.025 + 8 * tau, noise=1e-4)
    found = figures(subject)["blur_edge_time"]
    truth = figures(traces.transition(traces.exponential(tau), hold_s=0.5))["blur_edge_time"].value
    assert not found.bound
    assert abs(found.value - truth) <= combine(found.budget).expanded


def test_overshoot_flags_the_gaussian_edge_only() -> None:
    """Overshoot of a second order with zeta 0.2 is 52.66 % [derived], of its frame average still over 5 %."""
    found = figures(traces.transition(traces.underdamped(0.2, 2 * math.pi * 30)))
    assert "overshoot_past_band" in found["gaussian_edge_time"].flags
    assert "overshoot_past_band" not in found["blur_edge_time"].flags


def test_slow_sensor_gives_an_upper_bound() -> None:
    context = replace(traces.context(240), sensor=Sensor(bandwidth_hz=120.0))
    found = figures(traces.transition(traces.exponential(1e-3)), context)["blur_edge_time"]
    assert found.bound == "<="
    assert "below_sensor" in found.flags


def _strobed(duty: float, hz: float = 120.0, noise: float = 0.005, rising: bool = True) -> Transition:
    subject = traces.transition(traces.instant, rising=rising, pretrigger_s=0.05)
    t = subject.times_s
    rng = np.random.default_rng(3)
    pulses = np.array([((t * hz + rng.uniform()) % 1.0 < duty) for _ in subject.light])
    return replace(subject, light=subject.light * pulses + noise * rng.standard_normal(subject.light.shape))


@pytest.mark.parametrize("rising", [True, False])
@pytest.mark.parametrize(("duty", "persistence_ms"), [(0.25, 2.083333), (0.1, 0.833333)])
def test_strobed_backlight_is_refused_and_its_persistence_given(duty: float, persistence_ms: float, rising: bool) -> None:
    """120 Hz, duty 0.25 and 0.1: 2.083333 and 0.833333 ms [derived]."""
    context = replace(traces.context(120), ripple=traces.strobe(120, duty))
    found = figures(_strobed(duty, rising=rising), context)
    for name in HOLD_QUANTITIES:
        assert not found[name].measurable
        assert "strobed" in found[name].flags
        assert "strobed" in found[name].reason
    persistence = found["persistence"]
    assert abs(persistence.value - persistence_ms * 1e-3) <= max(combine(persistence.budget).expanded, 1e-5)
    assert persistence.detail["retinal_blur_pixel"] == pytest.approx(960 * persistence.value)


def test_persistence_falls_back_to_the_steady_captures() -> None:
    context = replace(traces.context(120), ripple=traces.strobe(120, 0.25))
    found = figures(traces.transition(traces.instant), context)["persistence"]
    assert found.value == pytest.approx(2.083333e-3, rel=1e-6)
    assert combine(found.budget).u > 0.04 * found.value


def test_mean_over_pairs_knows_what_they_share() -> None:
    """Own parts average as 1/sqrt(n), shared ones not at all (GUM 5.2.2)."""
    own, shared = 3e-5, 1e-5
    budget = (Component("scatter", own, 9, "A"), Component("time base", shared, shared="timebase"))
    pairs = [Figure("blur_edge_time", 0.015 + 1e-3 * i, "s", 0, i, budget, repeats=5) for i in range(1, 5)]
    (mean,) = ESTIMATOR.summarise(pairs, traces.context(), PARAMETERS)
    assert mean.quantity == "blur_edge_time_mean"
    assert mean.value == pytest.approx(0.0175)
    combined = combine(mean.budget)
    assert combined.u == pytest.approx(math.hypot(own / 2, shared), rel=1e-12)
    # Welch-Satterthwaite over four own scatters of 9 degrees of freedom: u_A has 36.
    assert combined.dof == pytest.approx(combined.u**4 / ((own / 2) ** 4 / 36), rel=1e-9)


def test_mean_over_pairs_carries_bounds_and_losses() -> None:
    good = Figure("blur_edge_time", 0.015, "s", 0, 1, (Component("scatter", 1e-5, 9, "A"),))
    bound = Figure("blur_edge_time", 0.020, "s", 0, 2, bound=">=", reason="not settled", flags=("not_settled",))
    lost = Figure("blur_edge_time", math.nan, "s", 0, 3, reason="clipped")
    (mean,) = ESTIMATOR.summarise([good, bound, lost], traces.context(), PARAMETERS)
    assert mean.value == pytest.approx(0.0175)
    assert mean.bound == ">="
    assert set(mean.flags) == {"incomplete", "not_settled"}
    assert "1 of 3" in mean.reason
    (none,) = ESTIMATOR.summarise([lost], traces.context(), PARAMETERS)
    assert not none.measurable
    assert none.reason == "clipped"


def test_explanation_states_the_parameters() -> None:
    text = ESTIMATOR.explain(MovingEdgeParameters(speed_pixel_s=480, excursion_limit=0.1))
    assert "480 pixel/s" in text
    assert "10 %" in text
    assert "Watson" in text
