"""Power, what overdrive costs, and what both mean for a battery."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.power.estimator import PowerEstimator, PowerParameters
from greystep.plugins.analysis.power.runtime import runtime_cost_s, runtime_s, runtime_sensitivity
from greystep.schema.dut import Condition
from greystep.schema.figure import Figure
from greystep.schema.quantities import QUANTITIES
from greystep.schema.trace import Context, Series
from greystep.schema.uncertainty import combine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

ESTIMATOR, PARAMETERS = PowerEstimator(), PowerParameters()
FAST, OFF = Condition(refresh_rate_hz=120.0, overdrive="fast"), Condition(refresh_rate_hz=120.0, overdrive="off")


def readings(
    watts: float, *, noise_w: float = 0.005, count: int = 20, seed: int = 1, u_w: float | None = 0.02, toggling: bool = True
) -> Series:
    """Held at level 128, and toggling up to 255 with 0.05 W more."""
    rng = np.random.default_rng(seed)
    means = [watts - 0.05, watts] if toggling else [watts]
    values = np.array([m + noise_w * rng.standard_normal(count) for m in means])
    levels, moving = ((128, 255), (False, True)) if toggling else ((128,), (False,))
    return Series("power", 0.2 * np.arange(count), values, "W", levels, moving, u_w)


def whole(
    series: Series,
    condition: Condition = FAST,
    sibling: Series | None = None,
    parameters: PowerParameters = PARAMETERS,
    **context: float,
) -> dict[str, Figure]:
    """Figures of the group by quantity."""
    known = {}
    if sibling is not None:
        parts = ESTIMATOR.estimate(sibling, Context(OFF), parameters)
        known[OFF.key] = [*parts, *ESTIMATOR.summarise(parts, Context(OFF), parameters)]
    around = Context(condition, others={"figures": known}, **context)  # type: ignore[arg-type]
    return {f.quantity: f for f in ESTIMATOR.summarise(ESTIMATOR.estimate(series, around, parameters), around, parameters)}


def test_facts_of_the_trade() -> None:
    """Common practice, no source: overdrive costs 100 to 200 mW, which is 1 to 2 % of 10 W; at about 4 W a 19 Wh battery
    gives just under 5 hours, and overdrive costs roughly 10 minutes of it."""
    assert pytest.approx(0.01) == 0.1 / 10
    assert pytest.approx(0.02) == 0.2 / 10
    assert 4.5 * 3600 < runtime_s(19.0, 4.0) < 5 * 3600
    assert runtime_cost_s(19.0, 4.0, 0.15) / 60 == pytest.approx(10, abs=1)
    assert 5 < runtime_cost_s(19.0, 4.0, 0.1) / 60 < 10 < runtime_cost_s(19.0, 4.0, 0.2) / 60 < 15


def test_energy_identities() -> None:
    """30 W for 8 h a day and 365 days is 87.6 kW h (reference checks 2.5 [derived]): that energy lasts 2920 h."""
    assert runtime_s(87600.0, 30.0) / 3600 == pytest.approx(8 * 365)
    assert runtime_sensitivity(19.0, 4.0) == pytest.approx(
        (runtime_s(19.0, 4.0 + 1e-6) - runtime_s(19.0, 4.0)) / 1e-6, rel=1e-5
    )


def test_mean_power_of_each_level_and_while_toggling() -> None:
    found = ESTIMATOR.estimate(readings(4.2), Context(FAST), PARAMETERS)
    assert [(f.quantity, f.to_level, f.detail["toggling"]) for f in found] == [("power", 128, 0.0), ("power", None, 1.0)]
    held, moving = found
    assert held.value == pytest.approx(4.15, abs=0.01)
    assert moving.value == pytest.approx(4.2, abs=0.01)
    type_a = next(c for c in moving.budget if c.kind == "A")
    assert type_a.effect == pytest.approx(moving.detail["standard_deviation_w"] / math.sqrt(20))
    assert type_a.dof == 19
    assert combine(moving.budget).u == pytest.approx(math.hypot(type_a.effect, 0.02), rel=1e-4)


def test_condition_is_the_toggling_power_where_there_is_one() -> None:
    assert whole(readings(4.2))["power"].value == pytest.approx(4.2, abs=0.01)
    assert whole(readings(4.2, toggling=False))["power"].value == pytest.approx(4.2, abs=0.01)
    assert whole(readings(4.2))["power"].to_level is None


def test_overdrive_is_the_difference_in_which_the_meter_cancels() -> None:
    found = whole(readings(4.15), sibling=readings(4.0, seed=2))["power_overdrive"]
    assert found.value == pytest.approx(0.15, abs=0.01)
    own = 0.02 * math.sqrt(1 - 0.9**2)
    scatter = [c.effect for c in found.budget if c.kind == "A"]
    assert combine(found.budget).u == pytest.approx(math.sqrt(2 * own**2 + sum(e * e for e in scatter)), rel=1e-4)
    assert combine(found.budget).u < 0.02 * math.sqrt(2)
    alone = whole(readings(4.15), sibling=readings(4.0, seed=2), parameters=PowerParameters(common_part=0.0))
    assert combine(alone["power_overdrive"].budget).u > 2 * combine(found.budget).u


def test_overdrive_covers_its_truth() -> None:
    """Scatter only: 95 % intervals of 200 pairs; 181 to 199 hold the truth (binomial, 3 sigma)."""
    held = 0
    for seed in range(200):
        found = whole(readings(4.15, seed=seed, count=5, u_w=None), sibling=readings(4.0, seed=1000 + seed, count=5, u_w=None))
        difference = found["power_overdrive"]
        held += abs(difference.value - 0.15) <= combine(difference.budget).expanded
    assert 181 <= held <= 199


def test_missing_sibling_is_a_reason_and_not_a_zero() -> None:
    found = whole(readings(4.15), battery_wh=19.0)
    assert not found["power_overdrive"].measurable
    assert "'off'" in found["power_overdrive"].reason
    assert not found["battery_runtime_cost"].measurable
    assert found["battery_runtime"].measurable


def test_the_condition_without_overdrive_has_no_difference_to_itself() -> None:
    found = whole(readings(4.0), condition=OFF, battery_wh=19.0)
    assert set(found) == {"power", "battery_runtime"}


def test_runtime_from_the_measured_power() -> None:
    found = whole(readings(4.15), sibling=readings(4.0, seed=2), battery_wh=19.0)
    runtime, cost = found["battery_runtime"], found["battery_runtime_cost"]
    assert runtime.value == pytest.approx(19 * 3600 / found["power"].value, rel=1e-12)
    relative = combine(found["power"].budget).u / found["power"].value
    assert combine(runtime.budget).u == pytest.approx(runtime.value * relative, rel=1e-9)
    assert cost.value == pytest.approx(runtime_cost_s(19.0, 4.0, 0.15), rel=0.05)
    assert 8 < cost.value / 60 < 12


def test_runtime_from_the_stated_power_of_the_device() -> None:
    found = whole(readings(1.15), sibling=readings(1.0, seed=2), battery_wh=19.0, system_power_w=4.0)
    extra = found["power_overdrive"].value
    assert found["battery_runtime"].value == pytest.approx(19 * 3600 / (4.0 + extra), rel=1e-12)
    assert found["battery_runtime_cost"].value == pytest.approx(runtime_cost_s(19.0, 4.0, extra), rel=1e-12)
    off = whole(readings(1.0), condition=OFF, battery_wh=19.0, system_power_w=4.0)
    assert off["battery_runtime"].value == pytest.approx(4.75 * 3600)


def test_toggling_is_not_compared_with_held() -> None:
    found = whole(readings(4.15), sibling=readings(4.0, toggling=False))["power_overdrive"]
    assert not found.measurable
    assert "toggling" in found.reason


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"unit": "V"}, "not W"),
        ({"values": np.full((2, 20), np.nan)}, "only 0 readings"),
        ({"values": np.full((2, 1), 4.0)}, "only 1 readings"),
        ({"values": np.full((2, 20), -4.0)}, "not positive"),
    ],
)
def test_useless_readings_give_a_reason(change: dict[str, object], words: str) -> None:
    series = replace(readings(4.0), **change)  # type: ignore[arg-type]
    for figure in ESTIMATOR.estimate(series, Context(FAST), PARAMETERS):
        assert not figure.measurable
        assert words in figure.reason
    found = whole(series, sibling=readings(4.0), battery_wh=19.0)
    assert all(not f.measurable and f.reason for f in found.values())


def test_equal_readings_still_have_an_uncertainty() -> None:
    """A meter that shows 4.15 W ten times: half a digit is open, 0.01/sqrt(12)."""
    same = Series("power", np.arange(10.0), np.full((1, 10), 4.15), "W", (128,), (False,))
    (found,) = ESTIMATOR.estimate(same, Context(FAST), PARAMETERS)
    assert combine(found.budget).u == pytest.approx(0.01 / math.sqrt(12))


def test_missing_readings_and_drift_are_flagged() -> None:
    series = readings(4.0)
    values = series.values.copy()
    values[0, 3] = np.nan
    values[1] += np.linspace(0, 0.5, 20)
    held, moving = ESTIMATOR.estimate(replace(series, values=values), Context(FAST), PARAMETERS)
    assert "bad_samples" in held.flags
    assert "drifting" in moving.flags
    assert "drifting" not in held.flags


def test_units_are_those_of_the_list_and_the_method_explains_itself() -> None:
    for name, figure in whole(readings(4.15), sibling=readings(4.0), battery_wh=19.0).items():
        assert figure.unit == QUANTITIES[name].unit
    assert "90 %" in ESTIMATOR.explain(PARAMETERS)
    assert ESTIMATOR.estimate(replace(readings(4.0), kind="trend"), Context(FAST), PARAMETERS) == []


@settings(max_examples=60, deadline=None)
@given(
    arrays(
        np.float64,
        st.tuples(st.integers(0, 3), st.integers(0, 20)),
        elements=st.floats(-1e6, 1e6, width=32) | st.sampled_from([np.nan, np.inf, 0.0, 4.0]),
    )
)
def test_no_readings_raise_or_give_a_bare_number(values: np.ndarray) -> None:
    n = values.shape[0]
    series = Series("power", np.arange(values.shape[1], dtype=float), values, "W", tuple(range(n)), (False,) * n)
    for figure in whole(series, sibling=readings(4.0), battery_wh=19.0).values():
        if not figure.measurable:
            assert figure.reason
        else:
            assert math.isfinite(combine(figure.budget).u)
