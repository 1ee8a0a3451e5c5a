"""Allan deviation against the NIST SP 1065 suite (1000 points) and an independent library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.plugins.analysis.stability.allan import effective_dof, overlapping_allan_deviation


def nist_suite() -> np.ndarray:
    """n0 = 1234567890, n(i+1) = 16807 n(i) mod 2147483647, y(i) = n(i)/2147483647."""
    n, out = 1234567890, []
    for _ in range(1000):
        out.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(out)


def test_the_suite_itself_is_right() -> None:
    """Mean 0.489 774 5, s 0.288 466 4, max 0.995 745 3, min 0.001 371 760. NIST SP 1065 [memory, reproduced]."""
    y = nist_suite()
    assert y.mean() == pytest.approx(0.4897745, abs=5e-8)
    assert y.std(ddof=1) == pytest.approx(0.2884664, abs=5e-8)
    assert y.max() == pytest.approx(0.9957453, abs=5e-8)
    assert y.min() == pytest.approx(0.001371760, abs=5e-10)


@pytest.mark.parametrize(("m", "oadev"), [(1, 0.2922319), (10, 0.09159953), (100, 0.03241343)])
def test_overlapping_deviation_of_the_nist_suite(m: int, oadev: float) -> None:
    """NIST SP 1065 [memory, reproduced with allantools 2024.6]."""
    assert overlapping_allan_deviation(nist_suite(), m) == pytest.approx(oadev, rel=3e-7)


@pytest.mark.parametrize("m", [1, 3, 17, 60])
def test_agrees_with_an_independent_library(m: int) -> None:
    allantools = pytest.importorskip("allantools")
    y = 1 + 0.01 * np.random.default_rng(8).standard_normal(400).cumsum()
    _, theirs, _, _ = allantools.oadev(y, rate=1.0, data_type="freq", taus=[m])
    assert overlapping_allan_deviation(y, m) == pytest.approx(float(theirs[0]), rel=1e-9)


def test_white_noise_falls_with_the_root_of_the_averaging_time() -> None:
    y = np.random.default_rng(1).standard_normal(20000)
    found = [overlapping_allan_deviation(y, m) * math.sqrt(m) for m in (1, 4, 16)]
    assert found == pytest.approx([1.0, 1.0, 1.0], rel=0.05)


def test_straight_drift_shows_as_its_slope() -> None:
    """y = a t: sigma(tau) = a tau / sqrt(2) [derived]."""
    assert overlapping_allan_deviation(3e-4 * np.arange(100), 10) == pytest.approx(3e-4 * 10 / math.sqrt(2), rel=1e-9)


def test_too_few_readings_have_no_deviation() -> None:
    assert math.isnan(overlapping_allan_deviation(np.ones(20), 10))
    assert not math.isnan(overlapping_allan_deviation(np.arange(21.0), 10))


def test_degrees_of_freedom_predict_the_scatter() -> None:
    """Relative scatter of a deviation is 1/sqrt(2 dof); by simulation, within 15 %."""
    rng = np.random.default_rng(2)
    for count, m in ((100, 1), (100, 5)):
        found = [overlapping_allan_deviation(rng.standard_normal(count), m) for _ in range(1500)]
        scatter = float(np.std(found) / np.mean(found))
        assert scatter == pytest.approx(1 / math.sqrt(2 * effective_dof(count, m)), rel=0.15)
