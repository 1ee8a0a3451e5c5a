"""Properties that hold for every trace: gain, offset, time shift, direction, sampling rate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.delay.estimator import DelayEstimator, DelayParameters
from greystep.plugins.analysis.motion.estimator import MovingEdgeEstimator, MovingEdgeParameters
from greystep.schema.trace import Transition
from greystep.schema.uncertainty import combine
from hypothesis import given, settings
from hypothesis import strategies as st

from . import traces

EDGES = {
    "exponential": traces.exponential(3e-3),
    "ramp": traces.ramp(6e-3),
    "instant": traces.instant,
    "overshoot": traces.underdamped(0.5, 600.0),
}
shapes = st.sampled_from(sorted(EDGES))


def _values(subject: Transition) -> dict[str, tuple[float, float]]:
    context = traces.context(120)
    found = MovingEdgeEstimator().estimate(subject, context, MovingEdgeParameters())
    found += DelayEstimator().estimate(subject, context, DelayParameters())
    return {f.quantity: (f.value, combine(f.budget).expanded) for f in found}


def _subject(shape: str, seed: int = 1, rate_hz: float = 20e3, rising: bool = True, noise: float = 0.003) -> Transition:
    return traces.transition(EDGES[shape], repeats=4, rate_hz=rate_hz, hold_s=0.12, noise=noise, seed=seed, rising=rising)


@settings(max_examples=25, deadline=None)
@given(shapes, st.floats(0.01, 1000.0), st.floats(-5.0, 5.0), st.integers(0, 1000))
def test_gain_and_offset_change_nothing(shape: str, gain: float, offset: float, seed: int) -> None:
    subject = _subject(shape, seed)
    other = replace(subject, light=gain * (subject.light + offset))
    for name, (value, expanded) in _values(subject).items():
        assert _values(other)[name] == pytest.approx((value, expanded), rel=1e-6, abs=1e-12), name


@settings(max_examples=25, deadline=None)
@given(shapes, st.floats(-2e-3, 5e-3), st.integers(0, 1000))
def test_time_shift_changes_only_the_delays(shape: str, shift_s: float, seed: int) -> None:
    subject = _subject(shape, seed)
    moved, still = _values(replace(subject, start_s=subject.start_s + shift_s)), _values(subject)
    for name, (value, _) in still.items():
        expected = value + shift_s if name.startswith("delay") else value
        assert moved[name][0] == pytest.approx(expected, rel=1e-4, abs=2e-7), name


@settings(max_examples=15, deadline=None)
@given(shapes, st.integers(0, 1000))
def test_direction_changes_nothing_for_the_same_response(shape: str, seed: int) -> None:
    """Without noise: a fall that is the rise upside down has the same figures."""
    up, down = _values(_subject(shape, seed, noise=0.0)), _values(_subject(shape, seed, rising=False, noise=0.0))
    for name, pair in up.items():
        assert down[name] == pytest.approx(pair, rel=1e-6, abs=1e-12), name


@settings(max_examples=15, deadline=None)
@given(shapes, st.integers(0, 1000))
def test_doubling_the_sampling_rate_stays_within_the_uncertainty(shape: str, seed: int) -> None:
    """Twice the 95 % interval of the difference, so that chance alone does not fail one of these many comparisons."""
    once, twice = _values(_subject(shape, seed)), _values(_subject(shape, seed + 1, rate_hz=40e3))
    for name, (value, expanded) in once.items():
        assert abs(twice[name][0] - value) <= 2 * np.hypot(expanded, twice[name][1]), name
