"""Figures of the whole matrix: means with shared causes, bounds among the parts, and whether the panel keeps up."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from greystep.plugins.analysis.matrix.combination import weighted_budget
from greystep.plugins.analysis.matrix.summary import best, matrix_figures, mean, mean_excursion, median, worst
from greystep.plugins.analysis.transition.parameters import TransitionParameters
from greystep.schema.figure import Component, Figure
from greystep.schema.uncertainty import combine

from . import edges

LEVELS = (0, 64, 128, 192, 255)


def _figure(value: float, a: int = 0, b: int = 255, own: float = 1.0, shared: float = 0.0, **more: object) -> Figure:
    budget = [Component("scatter of the repeats", own, 9, "A")]
    if shared:
        budget.append(Component("time base", shared, shared="timebase"))
    made = Figure("transition_duration", value, "s", a, b, tuple(budget), repeats=10)
    return replace(made, **more)  # type: ignore[arg-type]


def _matrix() -> list[Figure]:
    return [_figure(float(i + 1), a, b, 1.0, 0.5) for i, (a, b) in enumerate(permutations(LEVELS, 2))]


def test_own_causes_shrink_and_shared_ones_stay() -> None:
    f = mean("transition_duration_mean", _matrix())
    assert f.value == pytest.approx(10.5)
    assert combine(f.budget).u == pytest.approx(math.hypot(1 / math.sqrt(20), 0.5))
    assert combine([c for c in f.budget if not c.shared]).dof == pytest.approx(9 * 20)


def test_mean_agrees_with_simulation_of_shared_and_own_causes() -> None:
    rng = np.random.default_rng(1)
    own, curve = rng.normal(0, 1, (20000, 4)), rng.normal(0, 1, (20000, 2))
    effects = np.array([[0.3, -0.2], [0.1, 0.4], [0.0, 0.5], [-0.3, 0.0]])
    draws = own * 0.7 + curve @ effects.T
    figures = [
        Figure(
            "transition_duration",
            1.0,
            "s",
            0,
            1,
            (
                Component("scatter", 0.7, 9, "A"),
                Component("a", float(e[0]), shared="curve:0"),
                Component("b", float(e[1]), shared="curve:255"),
            ),
        )
        for e in effects
    ]
    u = combine(weighted_budget(figures, [0.25] * 4)).u
    assert u == pytest.approx(float(draws.mean(axis=1).std()), rel=0.03)


def test_all_quantities_of_a_full_matrix() -> None:
    p = TransitionParameters(
        matrix=("transition_duration_rising", "transition_duration_falling", "transition_duration_darkest")
    )
    figures = _matrix()
    out = {f.quantity: f for f in matrix_figures(figures, edges.context(), p)}
    rising = [f.value for f in figures if f.to_level > f.from_level]
    dark = [f.value for f in figures if f.from_level in (0, 64) or f.to_level in (0, 64)]
    assert out["transition_duration_rising"].value == pytest.approx(np.mean(rising))
    assert out["transition_duration_darkest"].value == pytest.approx(np.mean(dark))
    assert out["transition_duration_rising"].unit == "s"
    assert not out["transition_duration_rising"].flags


def test_incomplete_group_is_flagged() -> None:
    context = replace(edges.context(), complete=False)
    assert all("incomplete" in f.flags for f in matrix_figures(_matrix(), context, TransitionParameters()))


def test_one_lower_bound_makes_the_mean_a_lower_bound() -> None:
    figures = [_figure(1.0), _figure(2.0), replace(_figure(3.0), bound=">=", budget=(), flags=("not_settled",))]
    f = mean("transition_duration_mean", figures)
    assert (f.value, f.bound, f.budget) == (2.0, ">=", ())
    assert "not_settled" in f.flags
    assert "1 of 3" in f.reason


def test_bounds_from_both_sides_leave_no_mean() -> None:
    figures = [replace(_figure(1.0), bound="<="), replace(_figure(3.0), bound=">=")]
    f = mean("transition_duration_mean", figures)
    assert not f.measurable
    assert f.reason


def test_part_that_could_not_be_measured_is_left_out_and_told() -> None:
    figures = [_figure(1.0), _figure(3.0), replace(_figure(math.nan), reason="no transition", flags=("no_transition",))]
    f = mean("transition_duration_mean", figures)
    assert f.value == 2.0
    assert {"incomplete", "no_transition"} <= set(f.flags)
    assert "1 of 3 could not be measured" in f.reason
    assert not mean("x", figures[2:]).measurable


def test_median_is_not_moved_by_a_bound_that_lies_beyond_it() -> None:
    figures = [_figure(v) for v in (1.0, 2.0, 3.0)] + [replace(_figure(9.0), bound=">="), replace(_figure(8.0), bound=">=")]
    assert median("transition_duration_median", figures).value == 3.0
    assert median("transition_duration_median", figures).bound == ""


def test_best_and_worst_know_their_transition() -> None:
    assert best("b", _matrix()).value == 1.0
    top = worst("w", _matrix())
    assert (top.value, top.detail["from_level"], top.detail["to_level"]) == (20.0, 255.0, 192.0)
    bounded = worst("w", [_figure(5.0), replace(_figure(3.0), bound=">=", budget=())])
    assert (bounded.value, bounded.bound) == (5.0, ">=")


def test_share_within_the_refresh_and_the_rate_that_is_supported() -> None:
    """20 transitions of 1 to 20 ms at 60 Hz (16.67 ms): 16 of 20; 19 of 20 done within 19 ms: 52.6 Hz [derived]."""
    figures = [
        replace(_figure(1e-3 * (i + 1), a, b), budget=(Component("s", 1e-6, 9, "A"),))
        for i, (a, b) in enumerate(permutations(LEVELS, 2))
    ]
    p = TransitionParameters(matrix=("within_refresh", "supported_refresh_rate"), share=0.95)
    share, rate = matrix_figures(figures, edges.context(refresh_rate_hz=60.0), p)
    assert share.value == pytest.approx(0.8)
    assert share.budget == ()
    assert rate.value == pytest.approx(1 / 19e-3)
    assert combine(rate.budget).u == pytest.approx(1e-6 / 19e-3**2)


def test_transition_too_near_the_period_is_the_uncertainty_of_the_share() -> None:
    figures = [_figure(10e-3, own=1e-6), _figure(16.6e-3, own=1e-3)]
    p = TransitionParameters(matrix=("within_refresh",))
    (share,) = matrix_figures(figures, edges.context(refresh_rate_hz=60.0), p)
    assert share.value == 1.0
    assert combine(share.budget).u == pytest.approx(0.5 / math.sqrt(3))


def test_unsettled_decisive_transition_bounds_the_rate_from_above() -> None:
    figures = [_figure(10e-3, own=1e-6), replace(_figure(50e-3), bound=">=", budget=())]
    p = TransitionParameters(matrix=("supported_refresh_rate",))
    (rate,) = matrix_figures(figures, edges.context(), p)
    assert (rate.value, rate.bound) == (pytest.approx(20.0), "<=")


def test_mean_overshoot_takes_what_noise_hides_as_half_of_its_bound() -> None:
    """2 of 0.10 and 2 of "at most 0.02": between 0.05 and 0.06, all hidden ones to the same side."""
    told = [Figure("overshoot", 0.10, "1", 0, 255, (Component("scatter", 1e-3, 9, "A"),), repeats=10)] * 2
    hidden = [Figure("overshoot", 0.02, "1", 255, 0, bound="<=", reason="none stands out", repeats=10)] * 2
    f = mean_excursion("overshoot_mean", [*told, *hidden])
    assert f.bound == ""
    assert f.value == pytest.approx(0.055)
    assert combine(f.budget).u == pytest.approx(math.hypot(0.005 / math.sqrt(3), 1e-3 / math.sqrt(2) / 2))
    assert not any(c.shared for c in f.budget)
    assert "2 of 4" in f.reason
    only = mean_excursion("overshoot_mean", hidden)
    assert (only.bound, only.value) == ("<=", pytest.approx(0.02))
    clipped = replace(told[0], bound=">=", budget=())
    assert not mean_excursion("overshoot_mean", [*told, clipped, *hidden]).measurable
