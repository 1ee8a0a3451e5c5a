"""Combining uncertainties against the GUM's worked examples (reference-checks 5 [memory, reproduced]) and GTC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.plugins.analysis.transition.jackknife import leave_one_out, standard_error
from greystep.schema.figure import Component
from greystep.schema.uncertainty import combine, effective_dof, t_factor

T_FACTORS = [
    (1, 12.7062, 13.9678, 63.6567),
    (2, 4.3027, 4.5266, 9.9248),
    (4, 2.7764, 2.8693, 4.6041),
    (9, 2.2622, 2.3198, 3.2498),
    (10, 2.2281, 2.2837, 3.1693),
    (16, 2.1199, 2.1689, 2.9208),
    (20, 2.0860, 2.1330, 2.8453),
    (50, 2.0086, 2.0513, 2.6778),
    (math.inf, 1.9600, 2.0000, 2.5758),
]


@pytest.mark.parametrize(("dof", "k95", "k9545", "k99"), T_FACTORS)
def test_t_factors_of_gum_table_g2(dof: float, k95: float, k9545: float, k99: float) -> None:
    assert t_factor(dof, 0.95) == pytest.approx(k95, abs=6e-5)
    assert t_factor(dof, 0.9545) == pytest.approx(k9545, abs=6e-5)
    assert t_factor(dof, 0.99) == pytest.approx(k99, abs=6e-5)


def test_end_gauge_of_gum_h1() -> None:
    """u_c 31.7 nm, nu_eff 16.7, U_99 93 nm after truncation: contributions 25 (18), 5.8 (24), 3.9 (5), 6.7 (8), 2.9
    (50), 16.6 (2)."""
    parts = [(25.0, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.9, 50), (16.6, 2)]
    budget = [Component(f"{i}", u, dof) for i, (u, dof) in enumerate(parts)]
    known = combine(budget, 0.99)
    assert known.u == pytest.approx(31.7, abs=0.1)
    assert 16.5 <= known.dof <= 16.9
    assert t_factor(math.floor(known.dof), 0.99) * known.u == pytest.approx(93, abs=0.6)


def test_effective_degrees_of_freedom_as_two_libraries_have_them() -> None:
    """0.1 with 9 and 0.2 with 4: 6.081 081 (GTC and metrolopy [verified: computed])."""
    assert effective_dof([(0.1, 9), (0.2, 4)]) == pytest.approx(6.081081, abs=5e-7)


def test_against_gtc() -> None:
    gtc = pytest.importorskip("GTC")
    a, b, c = gtc.ureal(1.0, 0.3, 5), gtc.ureal(2.0, 0.1, 12), gtc.ureal(3.0, 0.2)
    result = a + 2 * b - 0.5 * c
    ours = combine([Component("a", 0.3, 5), Component("b", 0.2, 12), Component("c", -0.1)])
    assert ours.u == pytest.approx(gtc.uncertainty(result), rel=1e-12)
    assert ours.dof == pytest.approx(gtc.dof(result), rel=1e-12)
    assert ours.expanded == pytest.approx(gtc.reporting.k_factor(ours.dof, 95) * ours.u, rel=1e-6)


def test_shared_causes_add_with_their_signs() -> None:
    same = combine([Component("curve", 3.0, shared="curve:128"), Component("curve", -3.0, shared="curve:128")])
    assert same.u == 0
    twice = combine([Component("curve", 3.0, shared="curve:128"), Component("curve", 3.0, shared="curve:128")])
    assert twice.u == 6
    apart = combine([Component("x", 3.0), Component("y", 4.0)])
    assert apart.u == 5


def test_jackknife_of_a_mean_is_its_standard_error() -> None:
    """The 20 temperatures of GUM 4.4.3: mean 100.145, s/sqrt(20) = 0.33292."""
    t = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07]
    t += [100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    others = leave_one_out(np.array(t))
    assert others.mean() == pytest.approx(100.145, abs=5e-4)
    assert standard_error(others) == pytest.approx(0.33292, abs=5e-6)
    assert math.isnan(standard_error(np.array([1.0])))
