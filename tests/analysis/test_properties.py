"""What must hold for any trace."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.transition.estimator import TransitionEstimator
from greystep.plugins.analysis.transition.parameters import TransitionParameters
from greystep.schema.figure import Figure
from greystep.schema.trace import Context, Curve, Transition
from greystep.schema.uncertainty import combine
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from . import edges

ESTIMATOR = TransitionEstimator()
TIMES = ("transition_duration", "settling_duration", "mean_lag")
SHARES = ("overshoot", "undershoot", "preshoot", "completion")

shapes = st.one_of(
    st.floats(0.5e-3, 5e-3).map(edges.exponential),
    st.floats(1e-3, 8e-3).map(edges.ramp),
    st.floats(0.4e-3, 2e-3).map(edges.gaussian),
    st.floats(2e-3, 9e-3).map(edges.raised_cosine),
    st.floats(0.3e-3, 1.5e-3).map(lambda tau: edges.cascade(3, tau)),
    st.tuples(st.floats(0.45, 0.9), st.floats(800, 3000)).map(lambda p: edges.second_order(*p)),
)
seeds = st.integers(0, 2**32 - 1)
noises = st.sampled_from([3e-4, 1e-3, 5e-3, 0.02])


def _measure(subject: Transition, context: Context | None = None, **parameters: object) -> dict[str, Figure]:
    p = TransitionParameters.model_validate(parameters)
    return {f.quantity: f for f in ESTIMATOR.estimate(subject, context or edges.context(), p)}


def _same(a: dict[str, Figure], b: dict[str, Figure], rel: float = 1e-6) -> None:
    for name in (*TIMES, *SHARES):
        assert a[name].bound == b[name].bound
        assert a[name].flags == b[name].flags
        if a[name].measurable or b[name].measurable:
            u = combine(a[name].budget).u
            # Which window agrees best is a choice; rounding of the last digit may turn it where two are alike.
            slack = rel * abs(a[name].value) + 1e-9 + (0.0 if math.isnan(u) else 0.3 * u)
            assert abs(a[name].value - b[name].value) <= slack, name
            assert combine(b[name].budget).u == pytest.approx(u, rel=0.3, abs=1e-12, nan_ok=True), name


@settings(max_examples=40, deadline=None)
@given(shapes, seeds, noises, st.floats(0.01, 500), st.floats(-0.05, 20))
def test_gain_and_offset_change_nothing(edge: edges.Edge, seed: int, noise: float, gain: float, offset: float) -> None:
    subject = edges.transition(edge, noise=noise, seed=seed, repeats=4)
    scaled = replace(subject, light=gain * subject.light + offset)
    _same(_measure(subject), _measure(scaled))


@settings(max_examples=20, deadline=None)
@given(shapes, seeds, st.floats(0.1, 50))
def test_gain_of_curve_and_trace_together_changes_nothing_in_codes(edge: edges.Edge, seed: int, gain: float) -> None:
    subject = edges.transition(edge, noise=5e-4, seed=seed, repeats=4)
    curve = edges.gamma_curve()
    other = Curve(curve.levels, gain * curve.light, gain * curve.u, curve.dof, "V")
    a = _measure(subject, edges.context(curve=curve), domain="code", band=8.0)
    b = _measure(replace(subject, light=gain * subject.light), edges.context(curve=other), domain="code", band=8.0)
    _same(a, b, rel=1e-5)


@settings(max_examples=40, deadline=None)
@given(shapes, seeds, noises, st.integers(1, 2000))
def test_time_shift_changes_instants_only(edge: edges.Edge, seed: int, noise: float, shift: int) -> None:
    subject = edges.transition(edge, noise=noise, seed=seed, repeats=4)
    moved = replace(subject, start_s=subject.start_s + shift * subject.interval_s)
    a, b = _measure(subject), _measure(moved)
    _same(a, b)
    if a["transition_duration"].detail:
        for key in ("start_s", "end_s"):
            late = b["transition_duration"].detail[key] - a["transition_duration"].detail[key]
            assert late == pytest.approx(shift * subject.interval_s, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(shapes, seeds, noises)
def test_falling_is_rising_upside_down(edge: edges.Edge, seed: int, noise: float) -> None:
    rising = edges.transition(edge, noise=noise, seed=seed, repeats=4)
    falling = replace(rising, from_level=255, to_level=0, light=1.2 - rising.light)
    a, b = _measure(rising), _measure(falling)
    for name in (*TIMES, *SHARES):
        assert a[name].value == pytest.approx(b[name].value, rel=1e-6, abs=1e-9, nan_ok=True), name


@settings(max_examples=25, deadline=None)
@given(st.floats(1e-3, 3e-3), seeds, noises)
def test_reversed_symmetric_step_lasts_as_long(sigma: float, seed: int, noise: float) -> None:
    rising = edges.transition(edges.gaussian(sigma), noise=noise, seed=seed, repeats=4, onset_s=0.06)
    back = replace(rising, from_level=255, to_level=0, light=rising.light[:, ::-1].copy())
    a, b = _measure(rising)["transition_duration"], _measure(back)["transition_duration"]
    assume(a.measurable and not a.bound and b.measurable and not b.bound)
    assert abs(a.value - b.value) < 3 * math.hypot(combine(a.budget).u, combine(b.budget).u) + 1e-7


@settings(max_examples=25, deadline=None)
@given(shapes, seeds)
def test_doubling_the_sampling_rate_changes_figures_within_their_uncertainty(edge: edges.Edge, seed: int) -> None:
    coarse = edges.transition(edge, noise=2e-3, seed=seed, repeats=6)
    fine = edges.transition(edge, noise=2e-3, seed=seed + 1, repeats=6, samples=16000, interval_s=1e-5)
    a, b = _measure(coarse)["transition_duration"], _measure(fine)["transition_duration"]
    assume(not a.bound and not b.bound)
    # Two 95 % intervals of 5 degrees of freedom each; 25 random tries must pass, so the limit is wide.
    assert abs(a.value - b.value) < 2 * math.hypot(combine(a.budget).expanded, combine(b.budget).expanded)


@settings(max_examples=30, deadline=None)
@given(shapes, seeds, st.sampled_from([2e-4, 1e-3, 4e-3]), st.floats(4, 10))
def test_more_of_the_same_noise_never_shrinks_the_stated_uncertainty(
    edge: edges.Edge, seed: int, noise: float, more: float
) -> None:
    quiet = edges.transition(edge, noise=noise, seed=seed, repeats=20, samples=5000)
    clean = edges.transition(edge, repeats=20, samples=5000).light
    loud = replace(quiet, light=clean + more * (quiet.light - clean))
    a, b = _measure(quiet)["transition_duration"], _measure(loud)["transition_duration"]
    assume(not a.bound)
    if b.measurable and not b.bound:
        assert combine(b.budget).u > combine(a.budget).u


def test_more_repeats_shrink_the_stated_uncertainty() -> None:
    """Sixteen times as many: a quarter of the scatter, and no more doubt about it. Four repeats alone may be alike by
    chance."""
    ratios = []
    for seed in range(12):
        many = edges.transition(edges.cascade(3, 1e-3), noise=5e-3, seed=seed, repeats=64, samples=4000)
        few = replace(many, light=many.light[:4])
        a, b = _measure(few)["transition_duration"], _measure(many)["transition_duration"]
        ratios.append(combine(b.budget).expanded / combine(a.budget).expanded)
    assert np.median(ratios) < 0.4


@settings(max_examples=25, deadline=None)
@given(shapes, seeds, noises)
def test_an_estimate_is_the_same_every_time(edge: edges.Edge, seed: int, noise: float) -> None:
    subject = edges.transition(edge, noise=noise, seed=seed, repeats=3)
    assert repr(_measure(subject)) == repr(_measure(subject))
