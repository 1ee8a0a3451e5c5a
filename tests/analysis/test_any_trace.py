"""Whatever the samples: every method of transitions gives figures, bounds or reasons, and never raises."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from greystep.schema.flags import FIGURE_FLAGS
from greystep.schema.trace import Transition
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from . import edges
from .test_methods import ESTIMATORS, METHODS

SHAPES = {
    "exponential": edges.exponential(2e-3),
    "ramp": edges.ramp(3e-3),
    "ringing": edges.second_order(0.2, 3000.0),
    "jump": lambda t: np.asarray(t > 0, dtype=np.float64),
    "nothing": np.zeros_like,
    "sine": lambda t: np.sin(2000 * t),
}
SAMPLES = st.sampled_from([1, 7, 15, 16, 17, 40, 63, 64, 65, 127, 128, 129, 399, 401, 800, 3000])
BAD = st.sampled_from([None, None, None, math.nan, math.inf, -math.inf, 1e300, 1e150])


@st.composite
def subjects(draw: st.DrawFn) -> Transition:
    """Any edge, of any size and number of samples, with noise, steps of the digitiser and broken samples."""
    samples, repeats = draw(SAMPLES), draw(st.sampled_from([1, 2, 3, 4, 10]))
    interval = draw(st.sampled_from([1e-6, 1e-5, 1e-4]))
    start = -draw(st.floats(0, 1)) * samples * interval
    t = (start + interval * np.arange(samples)) * 2e-3 / (samples * interval) / draw(st.sampled_from([1e-4, 0.02, 0.3, 4.0]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    light = SHAPES[draw(st.sampled_from(sorted(SHAPES)))](t) * draw(st.sampled_from([1.0, -1.0, 1e-3, 1e6, 1e-90, 1e90]))
    rows = light + rng.normal(0, draw(st.sampled_from([0.0, 1e-6, 1e-3, 0.1, 3.0])), (repeats, samples))
    quantum = draw(st.sampled_from([0.0, 1e-4, 0.1]))
    if quantum:
        rows = np.round(rows / quantum) * quantum
    bad = draw(BAD)
    if bad is not None:
        rows[rng.integers(repeats), rng.integers(samples)] = bad
    return replace(
        edges.transition(SHAPES["ramp"], repeats=2),
        light=rows,
        start_s=start,
        interval_s=interval,
        from_level=draw(st.sampled_from([0, 64, 255])),
        to_level=draw(st.sampled_from([0, 128, 255])),
        quantum=quantum,
        smoothing_s=draw(st.sampled_from([0.0, 0.0, 5.0, samples / 3])) * interval,
        gap_s=draw(st.sampled_from([0.0, 3.0])) * interval,
    )


STEPS = [name for name, m in METHODS.items() if "step" in ESTIMATORS[m.estimator].kinds]


@pytest.mark.parametrize("name", STEPS)
@given(subject=subjects(), curved=st.booleans())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_trace_gives_figures_bounds_or_reasons(name: str, subject: Transition, curved: bool) -> None:
    method = METHODS[name]
    estimator = ESTIMATORS[method.estimator]
    context = edges.context(curve=edges.gamma_curve()) if curved else edges.context()
    with np.errstate(all="ignore"):
        figures = estimator.estimate(subject, context, estimator.Parameters.model_validate(method.parameters))
    assert figures
    for f in figures:
        assert math.isfinite(f.value) or (math.isnan(f.value) and f.reason), f
        assert set(f.flags) <= set(FIGURE_FLAGS), f.flags
        assert not f.bound or f.reason, f
