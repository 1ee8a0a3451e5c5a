"""Broken traces give a flag or a reason, never an exception and never a number that looks fine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.delay.estimator import DelayEstimator, DelayParameters
from greystep.plugins.analysis.motion.estimator import MovingEdgeEstimator, MovingEdgeParameters
from greystep.schema.figure import Figure
from greystep.schema.flags import FIGURE_FLAGS
from greystep.schema.trace import Transition
from greystep.schema.uncertainty import combine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from . import traces

BASE = traces.transition(traces.exponential(3e-3), repeats=4, rate_hz=20e3)
ESTIMATORS = [(MovingEdgeEstimator(), MovingEdgeParameters()), (DelayEstimator(), DelayParameters())]


def _all(subject: Transition) -> list[Figure]:
    return [f for e, p in ESTIMATORS for f in e.estimate(subject, traces.context(), p)]


def _with(light: np.ndarray) -> Transition:
    return replace(BASE, light=np.asarray(light, dtype=np.float64))


def _nan_everywhere() -> Transition:
    return _with(np.full_like(BASE.light, np.nan))


def _constant() -> Transition:
    return _with(np.ones_like(BASE.light))


def _noise_only() -> Transition:
    return _with(np.random.default_rng(5).normal(0.5, 0.05, BASE.light.shape))


def _wrong_direction() -> Transition:
    return _with(-BASE.light)


def _two_steps() -> Transition:
    t = BASE.times_s
    pulse = np.where((t > 0.005) & (t < 0.08), 1.0, 0.0) + np.where(t > 0.15, 1.0, 0.0)
    return _with(np.tile(pulse, (4, 1)))


def _at_start() -> Transition:
    return replace(BASE, light=np.roll(BASE.light, -500, axis=1)[:, :-600], start_s=0.0)


def _at_end() -> Transition:
    return replace(BASE, light=BASE.light[:, :520])


def _one_sample() -> Transition:
    return replace(BASE, light=BASE.light[:, :1])


def _no_sample() -> Transition:
    return replace(BASE, light=BASE.light[:, :0])


def _no_repeat() -> Transition:
    return replace(BASE, light=BASE.light[:0])


def _buried() -> Transition:
    return _with(np.random.default_rng(6).normal(0, 3.0, BASE.light.shape) + BASE.light)


@pytest.mark.parametrize(
    ("make", "flag"),
    [
        (_nan_everywhere, "bad_samples"),
        (_constant, "no_transition"),
        (_noise_only, "no_transition"),
        (_wrong_direction, "wrong_direction"),
        (_two_steps, "multiple_transitions"),
        (_at_start, "at_edge"),
        (_at_end, None),
        (_one_sample, "few_samples"),
        (_no_sample, "few_samples"),
        (_no_repeat, None),
        (_buried, None),
    ],
    ids=lambda x: getattr(x, "__name__", str(x)),
)
def test_hopeless_trace_gives_a_reason_and_no_number(make, flag) -> None:  # type: ignore[no-untyped-def]
    for figure in _all(make()):
        assert not figure.measurable, figure
        assert figure.reason
        assert set(figure.flags) <= set(FIGURE_FLAGS)
        if flag:
            assert flag in figure.flags, figure


def test_damaged_repeat_is_left_out_and_said() -> None:
    light = BASE.light.copy()
    light[1, 700] = np.nan
    for figure in _all(_with(light)):
        assert figure.measurable
        assert "bad_samples" in figure.flags
        assert figure.repeats == 3


def test_flags_of_the_acquisition_are_carried_on() -> None:
    for figure in _all(replace(BASE, flags=("clipped", "no_trigger"))):
        assert {"clipped", "no_trigger"} <= set(figure.flags)


def test_spike_in_one_repeat_stays_within_the_stated_uncertainty() -> None:
    light = BASE.light.copy()
    light[2, 200] += 3.0
    light[1, 1500] -= 3.0
    truth = {(f.quantity): f for f in _all(BASE)}
    for figure in _all(_with(light)):
        assert figure.measurable
        assert abs(figure.value - truth[figure.quantity].value) <= combine(figure.budget).expanded, figure.quantity


@settings(max_examples=80, deadline=None)
@given(
    arrays(
        np.float64,
        st.tuples(st.integers(0, 4), st.integers(0, 400)),
        elements=st.floats(-1e6, 1e6, width=32) | st.sampled_from([np.nan, np.inf, -np.inf, 0.0, 1.0]),
    ),
    st.floats(-0.05, 0.05),
    st.sampled_from([1e-6, 1e-4, 1e-2]),
)
def test_no_trace_raises_or_gives_a_bare_number(light: np.ndarray, start_s: float, interval_s: float) -> None:
    subject = Transition(10, 200, light, start_s, interval_s)
    strobed = replace(traces.context(120), ripple=traces.strobe(120, 0.25))
    for figure in [*_all(subject), *MovingEdgeEstimator().estimate(subject, strobed, MovingEdgeParameters())]:
        if not figure.measurable or figure.bound:
            assert figure.reason
        else:
            assert combine(figure.budget).u > 0
            assert np.isfinite(combine(figure.budget).expanded)
        assert all(np.isfinite(v) for v in figure.detail.values())
