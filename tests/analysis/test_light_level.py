"""Light of held levels, as figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.level.estimator import LightLevelEstimator
from greystep.schema.dut import Sensor
from greystep.schema.trace import Ripple, Steady
from greystep.schema.uncertainty import combine

from . import edges

ESTIMATOR = LightLevelEstimator()


def test_level_in_volts_with_the_scatter_of_the_segments() -> None:
    rng = np.random.default_rng(1)
    rows = 0.7 + rng.normal(0, 1e-3, (6, 1)) + rng.normal(0, 1e-4, (6, 2000))
    (f,) = ESTIMATOR.estimate(Steady(128, rows, 2e-5), edges.context(), ESTIMATOR.Parameters())
    assert (f.quantity, f.unit, f.to_level, f.repeats) == ("light_level", "V", 128, 6)
    assert abs(f.value - 0.7) < combine(f.budget).expanded
    assert combine(f.budget).u == pytest.approx(1e-3 / np.sqrt(6), rel=0.6)


def test_level_in_luminance_shares_responsivity_and_dark_with_the_others() -> None:
    context = replace(
        edges.context(sensor=Sensor(dark_u_v=1e-3)), luminance_scale=100.0, others={"luminance_scale_rel_u": 0.02}
    )
    (f,) = ESTIMATOR.estimate(Steady(255, np.full((4, 500), 200.0), 2e-5, unit="cd/m2"), context, ESTIMATOR.Parameters())
    effects = {c.shared: c.effect for c in f.budget if c.shared}
    assert effects == {"dark": pytest.approx(0.1), "responsivity": pytest.approx(4.0)}
    assert f.quantity == "luminance"


def test_ripple_is_averaged_over_whole_periods() -> None:
    t = 2e-5 * np.arange(10000)
    rows = np.array([1 + 0.5 * np.sign(np.sin(2 * np.pi * (217.3 * t + p))) for p in (0.0, 0.3, 0.6, 0.9)])
    context = replace(edges.context(), ripple=Ripple("pwm", 217.3, 0.5, 0.5))
    (f,) = ESTIMATOR.estimate(Steady(255, rows, 2e-5), context, ESTIMATOR.Parameters())
    assert f.value == pytest.approx(1.0, abs=1e-3)


def test_nothing_usable_is_a_reason() -> None:
    (f,) = ESTIMATOR.estimate(Steady(0, np.empty((0, 100)), 2e-5), edges.context(), ESTIMATOR.Parameters())
    assert not f.measurable
    assert f.reason
    assert ESTIMATOR.summarise([f], edges.context(), ESTIMATOR.Parameters()) == []
    assert "Mean light" in ESTIMATOR.explain(ESTIMATOR.Parameters())
