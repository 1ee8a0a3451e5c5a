"""Worked examples of the GUM with correlated inputs and a fitted line (H.2, H.3; reference-checks 5.3 [memory, reproduced])."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.plugins.analysis.transition.least_squares import Fitted, fit
from greystep.schema.figure import Component
from greystep.schema.uncertainty import combine

from .differences import numeric

VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def _impedance(v: float, i: float, phi: float) -> np.ndarray:
    """R, X, Z in ohm."""
    return np.array([v / i * math.cos(phi), v / i * math.sin(phi), v / i])


def _budget(of: int) -> list[Component]:
    """One shared cause a simultaneous observation, which moves all three inputs at once: their correlation needs no matrix."""
    means = np.array([x.mean() for x in (VOLTS, AMPERES, RADIANS)])
    n, parts = len(VOLTS), []
    for k in range(n):
        for place, x in enumerate((VOLTS, AMPERES, RADIANS)):
            step = 1e-6 * means[place]
            up, down = means.copy(), means.copy()
            up[place] += step
            down[place] -= step
            slope = float((_impedance(*up)[of] - _impedance(*down)[of]) / (2 * step))
            effect = slope * float(x[k] - x.mean()) / math.sqrt(n * (n - 1))
            parts.append(Component(f"input {place}", effect, n - 1, "A", f"observation:{k}"))
    return parts


@pytest.mark.parametrize(("of", "value", "u"), [(0, 127.732, 0.071), (1, 219.847, 0.295), (2, 254.260, 0.236)])
def test_impedance_of_gum_h2(of: int, value: float, u: float) -> None:
    assert _impedance(VOLTS.mean(), AMPERES.mean(), RADIANS.mean())[of] == pytest.approx(value, abs=1.5e-3)
    assert combine(_budget(of)).u == pytest.approx(u, abs=7e-4)  # the GUM rounds its inputs


@pytest.mark.parametrize(("a", "b", "r"), [(0, 1, -0.588), (0, 2, -0.485), (1, 2, 0.993)])
def test_figures_with_common_causes_are_correlated_as_gum_h2_says(a: int, b: int, r: float) -> None:
    """u of the sum from shared causes gives the covariance, as a mean over a matrix does it."""
    first, second = _budget(a), _budget(b)
    u1, u2, both = (combine(parts).u for parts in (first, second, first + second))
    assert (both**2 - u1**2 - u2**2) / (2 * u1 * u2) == pytest.approx(r, abs=6e-4)


def test_inputs_taken_as_independent_would_be_wrong() -> None:
    apart = [Component(f"{c.name} {i}", c.effect, c.dof) for i, c in enumerate(_budget(0))]
    assert combine(apart).u > 2 * combine(_budget(0)).u


def test_calibration_line_of_gum_h3() -> None:
    """y1 -0.1712 (0.0029), y2 0.002 18 (0.000 67), r -0.930, s 0.0035; correction at 30 deg C -0.1494 (0.0041)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])

    def line(reference: float) -> Fitted:
        return fit(numeric(lambda p: p[0] + p[1] * (t - reference)), b, np.array([0.0, 0.0]))

    found = line(20.0)
    assert found.parameters == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert found.deviations == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert found.covariance[0, 1] / np.prod(found.deviations) == pytest.approx(-0.930, abs=5e-4)
    assert found.residual_deviation == pytest.approx(0.0035, abs=5e-5)
    # The same line with its origin at 30 deg C has the correction there as its first parameter, correlation included.
    at_30 = line(30.0)
    assert at_30.parameters[0] == pytest.approx(-0.1494, abs=5e-5)
    assert at_30.deviations[0] == pytest.approx(0.0041, abs=5e-5)
