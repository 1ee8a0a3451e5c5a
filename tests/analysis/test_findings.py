"""What methods share about a subject changes no figure."""

from __future__ import annotations

from dataclasses import replace

import pytest
from greystep.daemon.analysis.packing import rounded
from greystep.plugins.analysis.delay.estimator import DelayEstimator, DelayParameters
from greystep.plugins.analysis.findings import shared
from greystep.plugins.analysis.motion.estimator import MovingEdgeEstimator, MovingEdgeParameters
from greystep.plugins.analysis.transition.estimator import TransitionEstimator
from greystep.plugins.analysis.transition.parameters import TransitionParameters
from greystep.schema.dut import Sensor

from . import edges

METHODS = [
    (TransitionEstimator(), TransitionParameters(domain="code", band=8.0, end_rule="settled")),
    (TransitionEstimator(), TransitionParameters(domain="luminance")),
    (TransitionEstimator(), TransitionParameters(domain="lightness", start_rule="first_exit")),
    (TransitionEstimator(), TransitionParameters(domain="luminance", levels="steady")),
    (TransitionEstimator(), TransitionParameters(domain="luminance", sensor="keep", widest_fit=0.05)),
    (DelayEstimator(), DelayParameters()),
    (MovingEdgeEstimator(), MovingEdgeParameters()),
]


@pytest.mark.parametrize("edge", [edges.exponential(3e-3), edges.second_order(0.4, 900.0), edges.ramp(1e-4)])
def test_a_figure_is_the_same_whichever_method_came_before(edge: edges.Edge) -> None:
    subject = edges.transition(edge, noise=3e-3, quantum=1e-4)
    contexts = [
        edges.context(curve=edges.gamma_curve(), sensor=Sensor(bandwidth_hz=2e4)),
        edges.context(curve=edges.gamma_curve(white=1.003)),
        edges.context(),
    ]
    cases = [(e, p, c) for c in contexts for e, p in METHODS]
    alone = [e.estimate(replace(subject), c, p) for e, p, c in cases]
    assert [e.estimate(subject, c, p) for e, p, c in cases] == alone
    assert [e.estimate(subject, c, p) for e, p, c in reversed(cases)] == alone[::-1]


def test_a_finding_is_made_once_for_what_it_depends_on() -> None:
    subject, made, one = edges.transition(edges.ramp(1e-3)), [], object()

    def make() -> int:
        made.append(1)
        return len(made)

    assert shared(subject, "a", (1, one), make) == shared(subject, "a", (1, one), make) == 1
    assert shared(subject, "a", (1, object()), make) == 2
    assert shared(subject, "a", (2, one), make) == 3
    assert shared(subject, "b", (1, one), make) == 4
    assert shared(replace(subject), "a", (1, one), make) == 5
    assert shared(rounded(subject), "a", (1, one), make) == 6
