"""State levels: histogram, windows, asymptote, undithered digitisers; and what the estimator makes of disagreement."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.preparation.levels import asymptote, histogram_levels, resting_window
from greystep.plugins.analysis.transition.digitiser import dither, undithered
from greystep.plugins.analysis.transition.observation import observe
from greystep.plugins.analysis.transition.refusal import Refusal
from greystep.plugins.analysis.transition.rest import Rest, rest_of

from . import edges


def test_histogram_levels_are_good_to_one_bin() -> None:
    """Two-level signal 0.2 / 1.0, noise 0.005, 100 bins of 0.0084 (reference-checks 1.5 [derived])."""
    rng = np.random.default_rng(0)
    values = np.where(np.arange(20000) % 2000 < 1000, 0.2, 1.0) + rng.normal(0, 0.005, 20000)
    low, high = histogram_levels(values)
    width = (values.max() - values.min()) / 100
    assert abs(low - 0.2) <= width
    assert abs(high - 1.0) <= width
    assert histogram_levels(np.full(9, 3.0)) == (3.0, 3.0)


def test_window_ends_where_the_light_begins_to_move() -> None:
    rng = np.random.default_rng(1)
    noise = 1e-3
    blocks = np.concatenate([np.zeros(50), np.linspace(0.01, 1, 20)]) + rng.normal(0, noise, 70)
    assert 45 <= resting_window(blocks, noise) <= 51
    assert resting_window(rng.normal(0, noise, 400), noise) > 100


def test_asymptote_of_an_exponential_tail() -> None:
    """1 - exp(-t) seen from 2 to 3: it goes on to 1 [derived]."""
    t = np.linspace(2, 3, 60)
    found = asymptote(1 - np.exp(-t), 1e-6)
    assert found is not None
    assert found[0] == pytest.approx(1.0, abs=2e-3)
    assert asymptote(np.random.default_rng(2).normal(0, 1, 60), 1.0) is None


def test_undithered_digitiser_is_off_by_up_to_half_a_code() -> None:
    """q/sqrt(12) without noise (GUM; reference-checks 5.1: 8 bit 0.001 127 637 of full scale); gone with noise of a code."""
    assert undithered(1 / 256, 0.0) == pytest.approx(0.001127637, abs=5e-10)
    assert undithered(1.0, 1.0) < 1e-6
    # Mean error over all level positions, measured, for noise of 0.3 codes.
    rng = np.random.default_rng(3)
    errors = [
        float(np.rint(level + rng.normal(0, 0.3, 40000)).mean()) - level for level in np.linspace(0, 1, 40, endpoint=False)
    ]
    assert undithered(1.0, 0.3) == pytest.approx(float(np.std(errors)), rel=0.15)


@pytest.mark.parametrize("noise", [0.05, 0.1, 0.2, 0.3, 0.5, 1.5])
def test_noise_below_a_code_is_found_where_the_light_sweeps_over_the_codes(noise: float) -> None:
    """Whatever code phase the two levels happen to have."""
    q = 1 / 256
    found = []
    for seed in range(6):
        levels = (0.13 + q * seed / 7, 0.93 + q * seed / 11)
        subject = edges.transition(
            edges.exponential(2e-3), levels=levels, noise=noise * q / 0.8, repeats=10, seed=seed, quantum=q, samples=6000
        )
        quiet = min(float(subject.light[:, part].var(axis=1).mean()) for part in (slice(0, 1400), slice(2800, None)))
        found.append(dither(quiet, subject.light[:, 1400:2800], q) / q)
    assert np.mean(found) == pytest.approx(noise, rel=0.25, abs=0.06)


def _rest(source: str, **changes: object) -> Rest:
    subject = replace(edges.transition(edges.exponential(2e-3), noise=2e-3, seed=8), **changes)  # type: ignore[arg-type]
    observation = observe(subject)
    assert not isinstance(observation, Refusal)
    rest = rest_of(observation, 0, 255, edges.gamma_curve(), source, 0.0)  # type: ignore[arg-type]
    assert isinstance(rest, Rest)
    return rest


def test_three_sources_agree_on_a_good_trace_and_say_which_they_are() -> None:
    for source, expected in (("auto", "trace"), ("trace", "trace"), ("steady", "steady"), ("histogram", "histogram")):
        rest = _rest(source)
        assert rest.source == expected
        tolerance = 0.01 if source == "histogram" else 3e-4
        assert rest.start == pytest.approx(0.2, abs=tolerance)
        assert rest.end == pytest.approx(1.0, abs=tolerance)
        assert not rest.flags


def test_drifted_levels_are_flagged() -> None:
    rest = _rest("auto", light=1.05 * edges.transition(edges.exponential(2e-3), noise=2e-3, seed=8).light)
    assert "levels_disagree" in rest.flags


def test_unsettled_record_tells_how_much_is_missing() -> None:
    subject = edges.transition(edges.exponential(20e-3), samples=5000, noise=1e-4)
    observation = observe(subject)
    assert not isinstance(observation, Refusal)
    rest = rest_of(observation, 0, 255, None, "auto", 0.0)
    assert isinstance(rest, Rest)
    assert not rest.settled
    left = math.exp(-(5000 * 2e-5 - 0.02 - 0.0105) / 20e-3)
    assert rest.missing == pytest.approx(left, rel=0.5)


def _with_dips_left(tau_s: float, rate_hz: float, phase: float) -> Rest:
    """An exponential edge with dips of 0.4 % at the refresh rate that the preparation did not take out."""
    subject = edges.transition(edges.exponential(tau_s), samples=8000, noise=3e-5)
    turns = (np.arange(8000) * subject.interval_s * rate_hz + phase) % 1.0
    light = subject.light * (1 - 4e-3 * (turns < 0.1))
    observation = observe(replace(subject, light=light, flags=("ripple",)))
    assert not isinstance(observation, Refusal)
    rest = rest_of(observation, 0, 255, edges.gamma_curve(), "auto", 0.0, 1 / rate_hz / subject.interval_s)
    assert isinstance(rest, Rest)
    return rest


@pytest.mark.parametrize(("rate_hz", "phase"), [(60.0, 0.6), (90.0, 0.37), (240.0, 0.1)])
def test_dips_left_of_a_ripple_are_no_movement_of_the_light(rate_hz: float, phase: float) -> None:
    """They come and go with their period, so that means over whole periods show none: thirds of any length told of 0.8 to 1.3 %
    of the step still to come. A record that does move is found out, whatever the held levels are."""
    assert _with_dips_left(2e-3, rate_hz, phase).missing < 1e-3
    moving = _with_dips_left(35e-3, rate_hz, phase)
    assert not moving.settled
    assert moving.missing == pytest.approx(math.exp(-(8000 * 2e-5 - 0.02 - 0.0105) / 35e-3), rel=0.7)


def test_trend_is_not_taken_from_parts_of_a_period() -> None:
    """Sine of one period a third less one sample: stretches of whole periods have the same mean [derived]."""
    t = np.arange(3 * 130)
    wave = np.sin(2 * np.pi * t / 100)
    assert asymptote(wave, 1e-3) is not None
    assert asymptote(wave, 1e-3, period=100) is None
    assert asymptote(wave[:120], 1e-3, floor=1.0, period=100) is None
