"""From captures to figures of the matrix, as the service does it: through the plugin's hooks and the TOML definitions."""

from __future__ import annotations

import tomllib
from itertools import permutations
from typing import Any

import greystep.plugins.analysis as plugin
import numpy as np
import pluggy
import pytest
from greystep.schema import hooks
from greystep.schema.figure import Figure
from greystep.schema.method import MethodDefinition
from greystep.schema.uncertainty import combine

from . import edges

LEVELS = (0, 128, 255)
BLACK, WHITE, DARK = 0.05, 2.0, 0.05


def _light(level: int) -> float:
    return BLACK + (WHITE - BLACK) * (level / 255) ** 2.2


@pytest.fixture(scope="module")
def loaded() -> dict[str, Any]:
    manager = pluggy.PluginManager(hooks.PROJECT)
    manager.add_hookspecs(hooks)
    manager.register(plugin)
    manager.check_pending()
    h = manager.hook
    return {
        "preparer": h.greystep_preparers()[0][0],
        "estimators": {e.id: e for e in h.greystep_estimators()[0]},
        "methods": {
            m.id: m
            for path in h.greystep_methods()[0]
            if (m := MethodDefinition.model_validate(tomllib.loads(path.read_text(encoding="utf-8"))))
        },
    }


def _captures(tau_s: float, noise_v: float) -> tuple[list[Any], list[Any]]:
    rng = np.random.default_rng(7)
    t = -0.02 + 2e-5 * np.arange(8000)
    steady = [
        edges.capture(
            f"c01-steady-{level:03d}",
            "steady",
            DARK + _light(level) + rng.normal(0, noise_v, (4, 4000)),
            np.full(4, level),
            np.full(4, level),
        )
        for level in sorted({*range(0, 256, 17), *LEVELS})
    ]
    edge = edges.exponential(tau_s)(t - 0.004)
    steps = []
    for a, b in ((0, 128), (0, 255), (128, 255)):
        up = _light(a) + (_light(b) - _light(a)) * edge
        down = _light(b) + (_light(a) - _light(b)) * edge
        rows = DARK + np.array([up, down] * 5) + rng.normal(0, noise_v, (10, len(t)))
        steps.append(edges.capture(f"c01-step-{a:03d}-{b:03d}", "step", rows, np.array([a, b] * 5), np.array([b, a] * 5)))
    return steady, steps


def _run(loaded: dict[str, Any], method: str, steady: list[Any], steps: list[Any]) -> tuple[list[Figure], list[Figure]]:
    preparer, m = loaded["preparer"], loaded["methods"][method]
    estimator = loaded["estimators"][m.estimator]
    p, q = estimator.Parameters.model_validate(m.parameters), preparer.Parameters.model_validate(m.preparation)
    context = preparer.context(steady or steps, q)
    figures = [f for c in steps for s in preparer.subjects(c, context, q) for f in estimator.estimate(s, context, p)]
    assert estimator.explain(p)
    return figures, estimator.summarise(figures, context, p)


def test_10_90_duration_of_an_exponential_panel_is_ln9_tau(loaded: dict[str, Any]) -> None:
    """Closed form ln 9 = 2.197 224 577 3 (reference-checks 1.3 [derived])."""
    figures, matrix = _run(loaded, "duration-10-90", *_captures(4e-3, 2e-3))
    durations = [f for f in figures if f.quantity == "transition_duration"]
    assert {(f.from_level, f.to_level) for f in durations} == set(permutations(LEVELS, 2))
    for f in durations:
        error = f.value - 4e-3 * np.log(9)
        assert abs(error) < 2 * combine(f.budget).expanded + 1e-6, (f, error)
        assert abs(error) < 0.01 * f.value
    mean = next(f for f in matrix if f.quantity == "transition_duration_mean")
    assert mean.value == pytest.approx(4e-3 * np.log(9), rel=2e-3)
    assert combine(mean.budget).u < max(combine(f.budget).u for f in durations)


def test_code_band_follows_the_measured_curve(loaded: dict[str, Any]) -> None:
    """0 -> 255 between codes 8 and 247 of a 2.2 power curve: t = -tau ln(1 - (code/255)^2.2) [derived]."""
    figures, _ = _run(loaded, "band-first-entry", *_captures(4e-3, 5e-4))
    f = next(f for f in figures if f.quantity == "transition_duration" and (f.from_level, f.to_level) == (0, 255))
    low, high = (8 / 255) ** 2.2, (247 / 255) ** 2.2
    assert f.value == pytest.approx(4e-3 * np.log((1 - low) / (1 - high)), rel=5e-3)
    down = next(f for f in figures if f.quantity == "transition_duration" and (f.from_level, f.to_level) == (255, 0))
    assert down.value == pytest.approx(4e-3 * np.log(high / low), rel=3e-2)
    assert any(c.shared.startswith("curve:") for c in f.budget)


@pytest.mark.parametrize("method", ["band-settled", "lightness-10-90", "refresh-fit"])
def test_every_built_in_transition_method_gives_figures(loaded: dict[str, Any], method: str) -> None:
    figures, matrix = _run(loaded, method, *_captures(4e-3, 1e-3))
    assert all(f.measurable for f in figures if f.quantity == "transition_duration")
    assert all(f.measurable for f in matrix)
    assert {f.unit for f in matrix} <= {"s", "1", "Hz"}


def test_without_steady_captures_the_curve_is_assumed_and_said_so(loaded: dict[str, Any]) -> None:
    _, steps = _captures(4e-3, 1e-3)
    figures, _ = _run(loaded, "band-first-entry", [], steps)
    assert all("assumed_curve" in f.flags for f in figures if f.measurable)
