"""Combining uncertainties against the GUM's own examples, its t table, and an independent library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.schema.figure import Component
from greystep.schema.uncertainty import combine, effective_dof, t_factor
from hypothesis import given
from hypothesis import strategies as st

T_TABLE = {
    1: (1.8374, 12.7062, 13.9678, 63.6567, 235.7837),
    2: (1.3213, 4.3027, 4.5266, 9.9248, 19.2060),
    4: (1.1417, 2.7764, 2.8693, 4.6041, 6.6201),
    9: (1.0588, 2.2622, 2.3198, 3.2498, 4.0942),
    10: (1.0526, 2.2281, 2.2837, 3.1693, 3.9569),
    16: (1.0323, 2.1199, 2.1689, 2.9208, 3.5441),
    20: (1.0257, 2.0860, 2.1330, 2.8453, 3.4221),
    50: (1.0101, 2.0086, 2.0513, 2.6778, 3.1571),
    math.inf: (1.0000, 1.9600, 2.0000, 2.5758, 3.0000),
}
"""Reference checks 5.2 [derived; equal to GUM table G.2 to its printed digits]."""
COVERAGES = (0.6827, 0.95, 0.9545, 0.99, 0.9973)


@pytest.mark.parametrize("dof", T_TABLE)
def test_t_factors_are_those_of_gum_table_g2(dof: float) -> None:
    for coverage, expected in zip(COVERAGES, T_TABLE[dof], strict=True):
        # The fractions 68.27, 95.45, 99.73 % are themselves rounded, which shows at one degree of freedom.
        assert t_factor(dof, coverage) == pytest.approx(expected, rel=2e-4, abs=5e-5)


def test_t_factor_takes_parts_of_degrees_and_never_fewer_than_one() -> None:
    assert t_factor(16.0) > t_factor(16.6) > t_factor(17.0)
    assert t_factor(0.3) == t_factor(1.0)
    assert t_factor(1e9) == pytest.approx(1.959964, abs=1e-6)


def _type_a(values: np.ndarray) -> tuple[float, float]:
    n = len(values)
    return float(values.std(ddof=1)) / math.sqrt(n), n - 1.0


def test_gum_4_4_3_mean_of_twenty_temperatures() -> None:
    """Mean 100.145 (printed 100.14), s 1.4888 (1.49), s/sqrt(20) 0.33292 (0.33). GUM 4.4.3 [memory, reproduced]."""
    low = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07]
    high = [100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    t = np.array([*low, *high])
    u, dof = _type_a(t)
    assert t.mean() == pytest.approx(100.145, abs=5e-4)
    assert t.std(ddof=1) == pytest.approx(1.4888, abs=5e-5)
    assert u == pytest.approx(0.33292, abs=5e-6)
    found = combine([Component("scatter", u, dof, "A")])
    # The t interval 99.448 to 100.842 (reference checks 5.5 [derived + run]).
    assert t.mean() - found.expanded == pytest.approx(99.448, abs=1e-3)
    assert t.mean() + found.expanded == pytest.approx(100.842, abs=1e-3)


H1 = [
    Component("length of the standard", 25e-9, 18),
    Component("comparison: repeatability", 5.8e-9, 24, "A"),
    Component("comparator: random", 3.9e-9, 5),
    Component("comparator: systematic", 6.7e-9, 8),
    Component("difference of expansion coefficients", 50.000623e-3 * 0.1 * 0.58e-6, 50),
    Component("difference of temperatures", 50.000623e-3 * 11.5e-6 * 0.029, 2),
]
"""GUM H.1 end gauge [memory, reproduced]."""


def test_gum_h1_end_gauge() -> None:
    """Contributions 25, 9.7, 2.9, 16.6 nm; u_c 31.7 (32) nm, nu 16.7 -> 16, t_99(16) 2.92, U_99 93 nm."""
    comparison = combine(H1[1:4])
    assert comparison.u * 1e9 == pytest.approx(9.7, abs=0.05)
    # 25.6 is printed for u rounded to 9.7 nm.
    assert comparison.dof * (9.7e-9 / comparison.u) ** 4 == pytest.approx(25.6, abs=0.1)
    assert H1[4].effect * 1e9 == pytest.approx(2.9, abs=0.05)
    assert H1[5].effect * 1e9 == pytest.approx(16.6, abs=0.1)
    found = combine(H1, 0.99)
    assert found.u * 1e9 == pytest.approx(31.7, abs=0.1)
    assert 16.6 <= found.dof <= 16.8
    # The GUM rounds u_c to 32 nm and truncates nu to 16; we do neither.
    assert t_factor(math.floor(found.dof), 0.99) * 32 == pytest.approx(93, abs=0.5)
    assert found.expanded * 1e9 == pytest.approx(92.1, abs=0.1)


def test_gum_h1_agrees_with_an_independent_library() -> None:
    """GTC 1.5.1: u_c 31.705 nm, nu 16.645, k_99 2.9059, U 92.1 nm."""
    gtc = pytest.importorskip("GTC")
    total = sum(gtc.ureal(0.0, c.effect, c.dof) for c in H1)
    found = combine(H1, 0.99)
    assert found.u == pytest.approx(gtc.uncertainty(total), rel=1e-12)
    assert found.dof == pytest.approx(gtc.dof(total), rel=1e-9)
    assert found.expanded / found.u == pytest.approx(gtc.reporting.k_factor(gtc.dof(total), 99), rel=1e-9)
    assert found.u * 1e9 == pytest.approx(31.705, abs=5e-4)
    assert found.dof == pytest.approx(16.645, abs=5e-4)


def test_welch_satterthwaite() -> None:
    """(0.1, nu 9) + (0.2, nu 4) gives 6.081 081. Reference checks 5.3 [verified: computed with two libraries]."""
    assert effective_dof([(0.1, 9), (0.2, 4)]) == pytest.approx(6.081081, abs=5e-7)
    assert effective_dof([(0.1, math.inf)]) == math.inf
    assert combine([Component("a", 0.1, 9), Component("b", -0.2, 4)]).dof == pytest.approx(6.081081, abs=5e-7)


def test_gum_h2_correlated_inputs_as_shared_causes() -> None:
    """R = V cos(phi)/I of simultaneous readings: 127.732, u 0.071 ohm with the correlations. GUM H.2 [memory, reproduced].

    The deviations of one reading are one cause that V, I and phi share: their effects add with signs.
    """
    v = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    i = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    r = v.mean() / i.mean() * math.cos(phi.mean())
    slopes = (r / v.mean(), -r / i.mean(), -v.mean() / i.mean() * math.sin(phi.mean()))
    scale = 1 / math.sqrt(5 * 4)
    budget = [
        Component(name, float(c * (x[k] - x.mean())) * scale, 4, "A", shared=f"reading {k}")
        for k in range(5)
        for name, c, x in zip(("V", "I", "phi"), slopes, (v, i, phi), strict=True)
    ]
    assert r == pytest.approx(127.732, abs=5e-4)
    assert combine(budget).u == pytest.approx(0.071, abs=5e-4)
    alone = [
        Component(n, c * float(x.std(ddof=1)) / math.sqrt(5), 4, "A")
        for n, c, x in zip(("V", "I", "phi"), slopes, (v, i, phi), strict=True)
    ]
    assert combine(alone).u > 2 * combine(budget).u


def test_shared_causes_add_with_their_signs() -> None:
    same = [Component("a", 3.0, shared="timebase"), Component("b", 4.0, shared="timebase")]
    opposite = [Component("a", 3.0, shared="timebase"), Component("b", -4.0, shared="timebase")]
    own = [Component("a", 3.0), Component("b", 4.0)]
    assert [combine(b).u for b in (same, opposite, own)] == pytest.approx([7.0, 1.0, 5.0])


def test_shared_cause_agrees_with_an_independent_library() -> None:
    """x = 3 a + b, y = 2 a + c with a shared: x - y has u^2 = a^2 + b^2 + c^2."""
    gtc = pytest.importorskip("GTC")
    a, b, c = gtc.ureal(0, 1, 5), gtc.ureal(0, 2, 7), gtc.ureal(0, 3, 11)
    total = (3 * a + b) - (2 * a + c)
    budget = [
        Component("a in x", 3.0, 5, shared="a"),
        Component("a in y", -2.0, 5, shared="a"),
        Component("b", 2.0, 7),
        Component("c", -3.0, 11),
    ]
    found = combine(budget)
    assert found.u == pytest.approx(gtc.uncertainty(total), rel=1e-12)
    assert found.dof == pytest.approx(gtc.dof(total), rel=1e-9)


def test_type_b_half_widths() -> None:
    """a = 4: rectangular 2.309 401, triangular 1.632 993, U-shaped 2.828 427; 8 bits 0.001 127 637. Reference checks 5.1."""
    widths = [4 / math.sqrt(n) for n in (3, 6, 2)]
    assert widths == pytest.approx([2.309401, 1.632993, 2.828427], abs=5e-7)
    assert 1 / 256 / math.sqrt(12) == pytest.approx(0.001127637, abs=5e-10)


def test_no_budget_is_no_number() -> None:
    found = combine([])
    assert math.isnan(found.u)
    assert math.isnan(found.expanded)


def test_zero_budget_is_zero() -> None:
    found = combine([Component("nothing", 0.0, 3)])
    assert (found.u, found.expanded, found.dof) == (0.0, 0.0, math.inf)


components = st.builds(
    Component,
    st.just("c"),
    st.floats(-1e3, 1e3),
    st.floats(1.0, 200.0) | st.just(math.inf),
    st.sampled_from(["A", "B"]),
    st.sampled_from(["", "", "s", "t"]),
)


@given(st.lists(components, min_size=1, max_size=12))
def test_degrees_of_freedom_lie_between_the_smallest_and_their_sum(budget: list[Component]) -> None:
    """GUM G.4.1: nu_eff is at most the sum, and never below the smallest."""
    found = combine(budget)
    assert found.u >= 0
    if found.u > 1e-9:
        assert found.dof >= min(c.dof for c in budget) * (1 - 1e-9)
        assert found.dof <= sum(c.dof for c in budget) * (1 + 1e-9)
        assert found.expanded >= 1.959 * found.u


@given(st.lists(components, min_size=1, max_size=12), st.floats(0.01, 100.0))
def test_scaling_a_budget_scales_its_uncertainty(budget: list[Component], factor: float) -> None:
    scaled = [Component(c.name, c.effect * factor, c.dof, c.kind, c.shared) for c in budget]
    assert combine(scaled).u == pytest.approx(factor * combine(budget).u, rel=1e-9, abs=1e-9)


@given(st.lists(components, min_size=1, max_size=12), st.floats(0.0, 10.0))
def test_one_more_own_cause_never_shrinks_the_uncertainty(budget: list[Component], effect: float) -> None:
    assert combine([*budget, Component("more", effect)]).u >= combine(budget).u * (1 - 1e-12)
