"""The fit around a crossing: exact for what it can represent, honest about noise, never below the Cramer-Rao bound."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.plugins.analysis.transition.crossing import find_crossing
from greystep.plugins.analysis.transition.noise import block_means, effective_noise, noise_of, repeat_noise
from greystep.plugins.analysis.transition.polynomial import Smear
from greystep.plugins.analysis.transition.record import Record, despiked
from greystep.plugins.analysis.transition.search import Middle, find_end, find_start

from . import edges
from .full_pass import smooth


def test_crossing_of_a_fifth_degree_polynomial_is_exact() -> None:
    t = np.arange(200) - 93.37
    trace = 0.01 * t + 1e-5 * t**2 + 2e-6 * t**3 + 1e-11 * t**5
    found = find_crossing(trace, 0.0, 90.0, 0.0, rising=True)
    assert found is not None
    assert found.position == pytest.approx(93.37, abs=1e-6)
    assert find_crossing(trace, 0.0, 90.0, 0.0, rising=False) is None


def test_one_pole_and_one_window_are_undone() -> None:
    t = np.arange(4000.0)
    edge = edges.cascade(3, 200.0)(t - 800.3)
    exact = 800.3 + 200 * 2.6740603
    pole, width = 20.0, 60.0
    blurred = np.zeros_like(edge)
    for i in range(1, len(t)):
        blurred[i] = blurred[i - 1] + (1 - math.exp(-1 / pole)) * (edge[i] - blurred[i - 1])
    total = np.cumsum(edge)
    boxed = np.zeros_like(edge)
    boxed[30:-30] = (total[60:] - total[:-60]) / width
    # The recursion above lags by half a sample less than a continuous pole; the even box by half a sample more.
    a = find_crossing(blurred, 0.5, 1340.0, 0.0, True, smear=Smear(pole, 1))
    b = find_crossing(boxed, 0.5, 1340.0, 0.0, True, smear=Smear(window=width))
    assert a is not None
    assert b is not None
    assert a.position == pytest.approx(exact, abs=0.6)
    assert b.position == pytest.approx(exact, abs=0.6)


def test_noise_by_three_ways() -> None:
    rng = np.random.default_rng(3)
    step = edges.exponential(300)(np.arange(20000.0) - 5000)
    rows = step + rng.normal(0, 0.01, (8, 20000))
    assert noise_of(rows[0]) == pytest.approx(0.01, rel=0.03)
    assert effective_noise(rows.mean(axis=0), 50) == pytest.approx(0.01 / math.sqrt(8), rel=0.15)
    assert repeat_noise(block_means(rows, 50), 400, 50) == pytest.approx(0.01 / math.sqrt(8), rel=0.1)
    slow = np.repeat(rng.normal(0, 0.01, (8, 400)), 50, axis=1)
    assert repeat_noise(block_means(step + slow, 50), 400, 50) > 5 * noise_of((step + slow).mean(axis=0))


def test_scatter_is_as_stated_and_not_below_the_bound() -> None:
    """Arrival of a known Gaussian edge: variance >= 2 sqrt(pi) s sigma^2 D / A^2 (reference-checks 5.4 [derived])."""
    s, sigma = 100.0, 0.02
    t = np.arange(2000.0)
    rng = np.random.default_rng(4)
    found = [
        find_crossing(edges.gaussian(s)(t - 1000.4) + rng.normal(0, sigma, len(t)), 0.5, 1000.0, sigma, True, 400)
        for _ in range(300)
    ]
    places = np.array([f.position for f in found if f is not None])
    assert len(places) == 300
    bound = math.sqrt(2 * math.sqrt(math.pi) * s) * sigma
    assert places.std() > 0.9 * bound
    assert places.std() < 2.5 * bound
    stated = math.sqrt(float(np.mean([f.u_noise**2 for f in found if f is not None])))
    assert places.std() == pytest.approx(stated, rel=0.2)
    assert abs(places.mean() - 1000.4) < 4 * places.std() / math.sqrt(300) + 0.05


def test_raw_first_crossing_would_be_early_where_the_search_is_not() -> None:
    """Noise crosses early: limits measured a raw first crossing at hundreds of times the bound."""
    rng = np.random.default_rng(5)
    t = np.arange(8000.0)
    trace = edges.exponential(400)(t - 2000) + rng.normal(0, 0.03, len(t))
    raw = float(np.flatnonzero(trace > 0.9)[0])
    place, doubt, _ = find_end(Record(trace), 0.9, 0.03, Middle(2277, 550), "first_entry") or (0, 1, False)
    exact = 2000 + 400 * math.log(10)
    assert raw < exact - 150
    assert abs(place - exact) < 100
    assert doubt < 0.3


def test_spike_past_the_level_is_no_exit_and_no_entry() -> None:
    t = np.arange(4000.0)
    trace = edges.exponential(200)(t - 2000)
    trace[1500] += 0.5
    trace[2200] += 0.5
    clean = Record(despiked(trace))
    middle = Middle(2138, 280)
    assert find_start(clean, 0.1, 1e-4, middle, "first_exit")[0] == pytest.approx(2021, abs=3)
    found = find_end(clean, 0.9, 1e-4, middle, "first_entry")
    assert found is not None
    assert found[0] == pytest.approx(2460, abs=3)


@pytest.mark.parametrize(("n", "width"), [(50, 7), (50, 8), (9, 30), (3, 2), (1, 5), (40, 1)])
def test_moving_mean_is_the_mean_of_what_lies_in_its_window(n: int, width: int) -> None:
    trace = np.random.default_rng(n).normal(size=n)
    half = min(width // 2, (n - 1) // 2)
    direct = [trace[max(0, i - half) : i + half + 1].mean() for i in range(n)]
    assert smooth(trace, width) == pytest.approx(direct, abs=1e-12)


def test_median_of_five_leaves_monotone_edges_alone() -> None:
    trace = np.sort(np.random.default_rng(6).normal(size=500))
    assert (despiked(trace) == trace).all()


def test_start_rules_differ_where_the_trace_hesitates() -> None:
    t = np.arange(4000.0)
    trace = 0.2 * np.exp(-(((t - 1000) / 60) ** 2)) + edges.ramp(400)(t - 2000)
    middle = Middle(2200, 240)
    assert find_start(Record(trace), 0.1, 1e-4, middle, "last_exit")[0] == pytest.approx(2040, abs=2)
    assert find_start(Record(trace), 0.1, 1e-4, middle, "first_exit")[0] == pytest.approx(950, abs=3)
