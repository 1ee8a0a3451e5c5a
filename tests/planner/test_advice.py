"""The planner's advice holds: its formulas against derived values, its repeats against a simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from greystep.daemon.planner.advice import (
    LN9,
    Wanted,
    advise,
    expanded,
    repeats_for,
    sample_rate_hz,
    scatter_of_one,
    tail_lengths,
    truncation_error,
)
from greystep.daemon.run.flash import flashes_within_a_second
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize(("n", "times_tau"), [(3, 1.832500), (5, 2.139099), (7, 2.189152), (10, 2.196821)])
def test_the_error_of_a_short_record_is_the_derived_one(n: float, times_tau: float) -> None:
    # Reference checks 1.5 [derived]: 10-90/tau = ln[(1-0.1A)/(1-0.9A)], A = 1-e^(-n); tolerance 1e-5
    assert (1 + truncation_error(n)) * LN9 == pytest.approx(times_tau, abs=1e-5)
    assert tail_lengths(abs(truncation_error(n))) == pytest.approx(n, rel=1e-6)


def test_the_scatter_from_noise_follows_the_bound_for_an_exponential() -> None:
    # Reference checks 5.4 [derived]: 6.2147 (sigma/A) sqrt(tau dt); sigma 0.01, dt 0.02, tau 1 gives 0.008789
    wanted = Wanted(fastest_s=LN9, slowest_s=LN9, noise=0.01)
    assert scatter_of_one(wanted, 1 / 0.02) / 3.6 * LN9 == pytest.approx(0.008789, rel=1e-3)


def test_the_repeats_give_the_wanted_interval_in_a_simulation() -> None:
    rng = np.random.default_rng(1)
    n = repeats_for(0.05, 0.03)
    assert n is not None
    means = rng.normal(1.0, 0.05, (20_000, n)).mean(axis=1)
    inside = np.abs(means - 1.0) <= 0.03
    assert inside.mean() > 0.95
    assert expanded(0.05, n) <= 0.03 < expanded(0.05, n - 1)


@given(st.floats(1e-4, 0.1), st.floats(1, 40), st.floats(0.001, 0.2), st.floats(0, 0.2), st.floats(0, 0.3), st.floats(0, 5000))
def test_advice_is_always_possible_to_follow(
    fastest: float, ratio: float, wanted_u: float, noise: float, scatter: float, ripple: float
) -> None:
    wanted = Wanted(fastest, fastest * ratio, wanted_u, noise, scatter, ripple)
    advice = advise(wanted)
    assert advice.sample_rate_hz * fastest >= 40 * (1 - 1e-9)
    assert advice.hold_s > advice.pretrigger_s + fastest * ratio
    assert advice.repeats is None or (3 <= advice.repeats <= 1000 and advice.expected <= wanted_u)
    assert math.isfinite(advice.expected)
    assert sample_rate_hz(wanted) == advice.sample_rate_hz


def test_advice_never_makes_the_screen_flash_above_the_general_threshold() -> None:
    """At most three flashes in any second (WCAG 2.x SC 2.3.1), however fast the panel is."""
    advice = advise(Wanted(1e-4, 2e-4))
    assert flashes_within_a_second(advice.hold_s, 1000) <= 3
    assert flashes_within_a_second(advice.shortest_hold_s, 1000) > 3
    assert any("flash" in note for note in advice.notes)
    slow = advise(Wanted(0.02, 0.2))
    assert slow.hold_s == slow.shortest_hold_s
    assert not any("flash" in note for note in slow.notes)
