"""Fits: NIST Statistical Reference Datasets to 6 digits (reference-checks 8.2 [verified certified values]), and formulas
on traces."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.plugins.analysis.transition.fit_estimator import TransitionFitEstimator
from greystep.plugins.analysis.transition.least_squares import chi_square_chance, fit
from greystep.plugins.analysis.transition.models import MODELS, Model
from greystep.schema.figure import Figure
from greystep.schema.trace import Transition
from greystep.schema.uncertainty import combine
from scipy import signal, special

from . import edges
from .differences import numeric

BOXBOD = ([1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224])
MISRA1A = (
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0],
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78],
)
CERTIFIED = [
    ("BoxBOD", BOXBOD, (1, 1), (213.80940889, 0.54723748542), (12.354515176, 0.10455993237), 1168.0088766, 17.088072423),
    ("BoxBOD", BOXBOD, (100, 0.75), (213.80940889, 0.54723748542), (12.354515176, 0.10455993237), 1168.0088766, 17.088072423),
    (
        "Misra1a",
        MISRA1A,
        (500, 1e-4),
        (238.94212918, 5.5015643181e-4),
        (2.7070075241, 7.2668688436e-6),
        0.12455138894,
        0.10187876330,
    ),
    (
        "Misra1a",
        MISRA1A,
        (250, 5e-4),
        (238.94212918, 5.5015643181e-4),
        (2.7070075241, 7.2668688436e-6),
        0.12455138894,
        0.10187876330,
    ),
]


@pytest.mark.parametrize(("name", "data", "start", "values", "deviations", "rss", "s"), CERTIFIED)
def test_nist_exponential_rise(
    name: str,
    data: tuple[list[float], list[float]],
    start: tuple[float, float],
    values: tuple[float, float],
    deviations: tuple[float, float],
    rss: float,
    s: float,
) -> None:
    """b1 (1 - exp(-b2 x)), both starts of the dataset, with standard deviations."""
    x, y = (np.array(v, dtype=float) for v in data)
    found = fit(numeric(lambda p: p[0] * -np.expm1(-p[1] * x)), y, np.array(start, dtype=float))
    assert found.converged, name
    assert found.parameters == pytest.approx(values, rel=1e-6)
    assert found.deviations == pytest.approx(deviations, rel=1e-6)
    assert found.rss == pytest.approx(rss, rel=1e-6)
    assert found.residual_deviation == pytest.approx(s, rel=1e-6)


FORMULAS = {
    "exponential": lambda t, a: 1 - np.exp(-np.maximum(t, 0) / a),
    "ramp": lambda t, a: np.clip(t / a, 0, 1),
    "Gaussian": lambda t, a: special.ndtr(t / a),
    "raised cosine": lambda t, a: 0.5 - 0.5 * np.cos(np.pi * np.clip(t / a, 0, 1)),
    "3 equal poles": lambda t, a: special.gammainc(3, np.maximum(t, 0) / a),
    "4 equal poles": lambda t, a: special.gammainc(4, np.maximum(t, 0) / a),
    "2 poles": lambda t, a, r: signal.step(([1], [a * a * r, a * (1 + r), 1]), T=t)[1],
    "second order": lambda t, w, z: signal.step(([w * w], [1, 2 * z * w, w * w]), T=t)[1],
}
SHAPES = {"2 poles": ((0.4, 0.4), (0.9, 0.05), (0.3, 0.9)), "second order": ((1.6, 0.5), (4.0, 0.1), (2.0, 0.95))}


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.name)
def test_edges_are_those_of_scipy(model: Model) -> None:
    """Step responses, incomplete gamma function, normal distribution: each formula by another way."""
    for shape in SHAPES.get(model.name, ((0.2,), (1.3,))):
        later = np.linspace(0, 6, 301)
        assert model.edge(later, np.array(shape)) == pytest.approx(FORMULAS[model.name](later, *shape), abs=1e-7), shape
        assert model.edge(-later[1:], np.array(shape)) == pytest.approx(
            FORMULAS["Gaussian"](-later[1:], *shape) if model.name == "Gaussian" else 0.0, abs=1e-12
        )


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.name)
@pytest.mark.parametrize("sign", [1, -1])
def test_derivatives_of_edges(model: Model, sign: int) -> None:
    """Against differences of the values; parameters of shape count by their size."""
    times = np.linspace(-1.03, 4.1, 200)
    for shape in SHAPES.get(model.name, ((0.2,), (1.3,))):
        at = np.array([0.111, 2.0, 5.0, *(sign * v for v in shape)])
        values, jacobian = model.light(times, at)
        again, differences = numeric(lambda p: model.light(times, p)[0])(at)
        assert (again == values).all()
        # A corner between two points of a difference shows half of the slope.
        near = np.abs(times - at[0]) < 1e-4
        assert jacobian[~near] == pytest.approx(differences[~near], abs=2e-6)


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.name)
@pytest.mark.parametrize("ratio", [0.02, 0.1, 0.5, 0.9, 0.98])
def test_first_passage_is_where_the_edge_first_takes_the_level(model: Model, ratio: float) -> None:
    for shape in SHAPES.get(model.name, ((0.2,), (1.3,))):
        at = model.first_passage(np.array(shape), ratio)
        fine = np.linspace(-3, at - 1e-9, 20001)
        assert model.edge(np.array([at]), np.array(shape))[0] == pytest.approx(ratio, abs=1e-9)
        assert (model.edge(fine, np.array(shape)) < ratio).all()
    assert math.isnan(MODELS[0].first_passage(np.array([0.3]), 1.5))


def test_chance_of_residuals() -> None:
    """Chi-square of as many as its degrees of freedom: chance about a half; twice as many of 100: none."""
    assert chi_square_chance(99.334, 100) == pytest.approx(0.5, abs=1e-3)
    assert chi_square_chance(200, 100) < 1e-7


def _figure(subject: Transition) -> Figure:
    estimator = TransitionFitEstimator()
    return estimator.estimate(subject, edges.context(), estimator.Parameters())[0]


@pytest.mark.parametrize(
    ("edge", "exact"),
    [
        (edges.exponential(2e-3), 2e-3 * math.log(9)),
        (edges.gaussian(1e-3), 2.5631031311e-3),
        (edges.cascade(3, 1e-3), 4.22025501e-3),
        (edges.second_order(0.5, 1000.0), 1.637573e-3),
    ],
)
def test_formula_gives_the_duration_within_its_uncertainty(edge: edges.Edge, exact: float) -> None:
    f = _figure(edges.transition(edge, noise=0.005, repeats=10, seed=3))
    u = combine(f.budget)
    assert abs(f.value - exact) < 1.5 * u.expanded
    assert u.expanded < 0.02 * exact
    assert f.detail["chance"] > 0.005


def test_formula_that_does_not_fit_gives_no_figure() -> None:
    def stairs(t: np.ndarray) -> np.ndarray:
        return 0.6 * edges.exponential(1e-3)(t) + 0.4 * edges.exponential(1e-3)(t - 4e-3)

    f = _figure(edges.transition(stairs, noise=0.002, repeats=10))
    assert not f.measurable
    assert "no formula fits" in f.reason


def test_steps_of_a_digitiser_without_noise_are_not_taken_for_noise() -> None:
    """8 bit and noise of a fifth of a code: the chi-square knows no such errors, so that intervals held 60 to 80 %."""
    subject = edges.transition(edges.ramp(5e-3), noise=1e-3, repeats=20, quantum=1 / 256, seed=2)
    f = TransitionFitEstimator().estimate(subject, edges.context(), TransitionFitEstimator.Parameters())[0]
    assert not f.measurable
    assert "steps of the digitiser" in f.reason
    finer = edges.transition(edges.ramp(5e-3), noise=1e-3, repeats=20, quantum=1 / 4096, seed=2)
    f = TransitionFitEstimator().estimate(finer, edges.context(), TransitionFitEstimator.Parameters())[0]
    assert abs(f.value - 4e-3) < combine(f.budget).expanded


@pytest.mark.parametrize("repeats", [1, 4])
def test_a_trace_without_noise_is_a_message(repeats: int) -> None:
    f = _figure(edges.transition(edges.exponential(2e-3), noise=0.0, repeats=repeats))
    assert not f.measurable
    assert "no noise" in f.reason


def test_formula_that_passes_in_much_noise_is_held_against_the_crossings() -> None:
    """An overdriven edge with a kink at 20 dB: a chi-square accepts formulas that are 2.5 % short of it."""
    from ..benchmarks.accuracy_edges import SHAPES, duration

    shape = next(s for s in SHAPES if s.name == "LCD, overdriven")
    exact, outside = duration(shape) * 2e-3, 0
    for seed in range(8):
        subject = edges.transition(
            lambda t: shape.edge(t / 2e-3), noise=0.1, repeats=20, seed=seed, interval_s=1e-5, start_s=-0.01
        )
        f = TransitionFitEstimator().estimate(subject, edges.context(), TransitionFitEstimator.Parameters())[0]
        outside += f.measurable and abs(f.value - exact) > combine(f.budget).expanded
    assert outside <= 2
