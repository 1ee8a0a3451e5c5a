"""Levels that the noise hides, and edges that pass between two samples: bounds that hold, intervals that cover."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.plugins.analysis.transition.crossing import between_samples
from greystep.plugins.analysis.transition.estimator import TransitionEstimator
from greystep.plugins.analysis.transition.parameters import TransitionParameters
from greystep.schema.dut import Sensor
from greystep.schema.figure import Figure
from greystep.schema.trace import Transition
from greystep.schema.uncertainty import combine

from . import edges

ESTIMATOR = TransitionEstimator()
LOW, HIGH = (8 / 255) ** 2.2, (247 / 255) ** 2.2
"""8 codes above black and below white on a 2.2 power curve, as parts of the step: the lower one is 0.05 %."""


def _band(subject: Transition) -> Figure:
    context = edges.context(curve=edges.gamma_curve(black=0.0))
    p = TransitionParameters(domain="code", band=8.0, quantities=("transition_duration",))
    return ESTIMATOR.estimate(subject, context, p)[0]


def test_end_level_within_the_noise_is_reached_then_or_later() -> None:
    """Falling to black the last 8 codes are 0.05 % of the step: with 1 % noise only a lower bound can be had."""
    tau = 3e-3
    exact = tau * math.log(HIGH / LOW)
    for seed in range(10):
        subject = edges.transition(edges.exponential(tau), levels=(1.0, 0.0), codes=(255, 0), noise=0.01, seed=seed)
        f = _band(subject)
        assert f.bound == ">="
        assert 0.4 * exact < f.value <= exact
        assert "noisy" in f.flags
        assert "noise" in f.reason


def test_start_level_within_the_noise_widens_the_interval() -> None:
    """Rising out of black the light passes 8 codes so fast that the noise hardly matters, and the interval says how little."""
    tau = 3e-3
    exact = tau * math.log((1 - LOW) / (1 - HIGH))
    for seed in range(10):
        subject = edges.transition(edges.exponential(tau), levels=(0.0, 1.0), noise=0.01, seed=seed)
        f = _band(subject)
        assert f.measurable
        assert not f.bound
        assert "noisy" in f.flags
        assert any(c.name == "level within the noise" for c in f.budget)
        assert abs(f.value - exact) < 1.5 * combine(f.budget).expanded
        assert combine(f.budget).expanded < 0.35 * exact


@pytest.mark.parametrize("samples", [0.2, 0.8, 1.5, 2.5])
def test_edge_between_two_samples_is_bounded_from_above(samples: float) -> None:
    interval = 1e-4
    exact = 0.8 * samples * interval
    for phase in np.linspace(0, 0.9, 7):
        subject = edges.transition(
            edges.ramp(samples * interval),
            interval_s=interval,
            samples=1500,
            start_s=-0.05,
            onset_s=phase * interval,
            noise=1e-3,
        )
        p = TransitionParameters(quantities=("transition_duration",))
        f = ESTIMATOR.estimate(subject, edges.context(), p)[0]
        assert f.bound == "<=", (samples, phase)
        assert f.value >= exact
        assert f.value < 6 * interval
        assert {"below_sensor", "few_samples"} <= set(f.flags)


def test_straight_line_between_samples_knows_its_direction() -> None:
    trace = np.array([0.0] * 10 + [1.0] * 10)
    found = between_samples(trace, 0.25, 10.0, 1e-3, rising=True)
    assert found is not None
    assert found.position == pytest.approx(9.25)
    assert found.grid == 0.5
    assert between_samples(trace, 0.25, 10.0, 1e-3, rising=False) is None


def test_bound_by_the_sensor_covers_any_shape_of_its_response() -> None:
    """Whatever the true edge was, it was not longer than what was recorded."""
    rng = np.random.default_rng(2)
    sensor = Sensor(bandwidth_hz=2000.0)
    recorded = edges.cascade(2, 1 / (2 * math.pi * 2000.0))
    subject = edges.transition(
        recorded, interval_s=5e-6, samples=8000, start_s=-0.01, onset_s=0.0051, noise=1e-3, seed=int(rng.integers(99))
    )
    p = TransitionParameters(quantities=("transition_duration",))
    f = ESTIMATOR.estimate(subject, edges.context(sensor=sensor), p)[0]
    assert f.bound == "<="
    assert f.value >= 2.1972 / (2 * math.pi * 2000.0)
