"""Broken traces give a flag, a bound or a reason, never a number that looks fine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.transition.estimator import TransitionEstimator
from greystep.plugins.analysis.transition.parameters import TransitionParameters
from greystep.schema.figure import Figure
from greystep.schema.flags import FIGURE_FLAGS
from greystep.schema.trace import Context, Ripple, Transition
from hypothesis import given, settings
from hypothesis import strategies as st

from . import edges

ESTIMATOR = TransitionEstimator()
GOOD = edges.transition(edges.exponential(2e-3), noise=1e-3, seed=5)


def _figures(subject: Transition, context: Context | None = None, **parameters: object) -> dict[str, Figure]:
    p = TransitionParameters.model_validate(parameters)
    out = {f.quantity: f for f in ESTIMATOR.estimate(subject, context or edges.context(), p)}
    assert set(out) == set(p.quantities)
    for f in out.values():
        assert set(f.flags) <= set(FIGURE_FLAGS), f.flags
        assert f.measurable or (f.reason and f.flags), f
        assert not f.bound or f.reason, f
    return out


def _with(rows: np.ndarray) -> Transition:
    return replace(GOOD, light=rows)


def _refused(subject: Transition, flag: str, context: Context | None = None, **parameters: object) -> None:
    for f in _figures(subject, context, **parameters).values():
        assert not f.measurable, f
        assert flag in f.flags, f


def test_the_good_trace_is_good() -> None:
    figures = _figures(GOOD)
    assert all(f.measurable and not f.flags for f in figures.values())
    # There is no excursion in it, and that can only be said to some limit.
    assert {name for name, f in figures.items() if f.bound} == {"overshoot", "undershoot", "preshoot"}
    assert all(f.bound == "<=" and f.value < 0.01 for f in figures.values() if f.bound)


def test_no_repeat_left() -> None:
    _refused(_with(np.empty((0, 8000))), "bad_samples")
    _refused(replace(_with(np.empty((0, 8000))), flags=("no_trigger",)), "no_trigger")


@pytest.mark.parametrize("samples", [1, 2, 15])
def test_one_or_a_few_samples(samples: int) -> None:
    _refused(_with(GOOD.light[:, 2000 : 2000 + samples]), "few_samples")


def test_not_a_number_everywhere() -> None:
    rows = GOOD.light.copy()
    rows[:, 100] = np.nan
    _refused(_with(rows), "bad_samples")


def test_a_repeat_with_infinity_is_left_out_and_flagged() -> None:
    rows = GOOD.light.copy()
    rows[2, 100] = np.inf
    f = _figures(_with(rows))["transition_duration"]
    assert "bad_samples" in f.flags
    assert f.repeats == 4
    assert f.value == pytest.approx(2e-3 * np.log(9), rel=0.01)


@pytest.mark.parametrize("noise", [0.0, 1e-3])
def test_constant(noise: float) -> None:
    rows = 0.5 + np.random.default_rng(1).normal(0, 1, GOOD.light.shape) * noise
    _refused(_with(rows), "no_transition")


def test_step_in_the_wrong_direction() -> None:
    _refused(_with(1.2 - GOOD.light), "wrong_direction")


def test_step_in_the_wrong_direction_by_the_steady_captures() -> None:
    curve = edges.gamma_curve()
    falling = replace(curve, light=curve.light[::-1].copy())
    _refused(GOOD, "wrong_direction", edges.context(curve=falling))


def test_there_and_back() -> None:
    rows = GOOD.light.copy()
    rows[:, 4000:] = rows[:, :4000][:, ::-1]
    _refused(_with(rows), "multiple_transitions")


def test_two_steps_up_with_a_fall_between() -> None:
    t = GOOD.times_s
    edge = edges.exponential(1e-3)
    rows = 0.2 + 0.8 * (edge(t - 0.02) - edge(t - 0.06) + edge(t - 0.1)) + 0 * GOOD.light
    _refused(_with(rows), "multiple_transitions")


def test_a_stair_with_a_landing_is_flagged() -> None:
    t = GOOD.times_s
    edge = edges.exponential(1e-3)
    rows = (
        0.2
        + 0.4 * (edge(t - 0.02) + edge(t - 0.08))
        + GOOD.light * 0
        + np.random.default_rng(3).normal(0, 5e-4, GOOD.light.shape)
    )
    for f in _figures(_with(rows)).values():
        assert "multiple_transitions" in f.flags


def test_step_at_the_beginning_of_the_record() -> None:
    _refused(_with(GOOD.light[:, 1530:]), "at_edge")


def test_step_at_the_end_of_the_record() -> None:
    f = _figures(_with(GOOD.light[:, :1600]))["transition_duration"]
    assert not f.measurable or f.bound == ">="
    assert {"not_settled", "at_edge"} & set(f.flags)


def test_clipped_top() -> None:
    rows = np.minimum(edges.transition(edges.second_order(0.4, 2000.0), noise=1e-3).light, 1.05)
    f = _figures(replace(_with(rows), flags=("clipped",)))
    assert all("clipped" in x.flags for x in f.values())
    assert f["overshoot"].bound == ">="


def test_saturated_at_both_ends() -> None:
    rows = np.clip(GOOD.light, 0.35, 0.8)
    for f in _figures(replace(_with(rows), flags=("clipped",))).values():
        assert "clipped" in f.flags


def test_strobed_backlight_is_refused_with_a_reason() -> None:
    context = replace(edges.context(), ripple=Ripple("strobe", 60.0, 1.0, 0.2))
    for f in _figures(GOOD, context).values():
        assert not f.measurable
        assert "strobed" in f.flags
        assert "strobed" in f.reason


def test_band_wider_than_half_the_step() -> None:
    curve = edges.gamma_curve()
    subject = replace(GOOD, from_level=100, to_level=110)
    _refused(subject, "band_too_wide", edges.context(curve=curve), domain="code", band=8.0)


def test_noise_as_large_as_the_step() -> None:
    rows = GOOD.light[:1, :2000] + np.random.default_rng(1).normal(0, 2.0, (1, 2000))
    for f in _figures(_with(rows)).values():
        assert not f.measurable or f.flags


def test_light_that_stops_short_of_the_promised_level_is_flagged() -> None:
    curve = edges.gamma_curve(white=1.1)
    f = _figures(GOOD, edges.context(curve=curve))["transition_duration"]
    assert "levels_disagree" in f.flags


def test_repeats_that_scatter_in_time_are_brought_together() -> None:
    shifts = (0, 37, 90, 151, 203)
    rows = np.stack([np.roll(row, s) for row, s in zip(GOOD.light[:, :], shifts, strict=True)])[:, 210:]
    f = _figures(_with(rows))["transition_duration"]
    assert f.value == pytest.approx(2e-3 * np.log(9), rel=5e-3)
    assert f.detail["repeat_spread_s"] == pytest.approx(np.std(shifts, ddof=1) * 2e-5, rel=0.05)


def test_spikes_do_not_move_the_crossing() -> None:
    rng = np.random.default_rng(11)
    rows = GOOD.light.copy()
    for _ in range(40):
        rows[rng.integers(len(rows)), rng.integers(rows.shape[1])] += rng.choice([-1, 1]) * 0.5
    rows[:, 500] += 0.8
    rows[:, 1000:1003] += 0.9
    f = _figures(_with(rows))["transition_duration"]
    assert f.value == pytest.approx(2e-3 * np.log(9), rel=0.01)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from(["noise", "walk", "sine", "stairs", "impulse", "huge", "tiny", "negative"]),
    st.integers(1, 4),
    st.integers(16, 900),
)
def test_whatever_the_trace_nothing_is_raised(seed: int, kind: str, repeats: int, samples: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(samples) / samples
    rows = {
        "noise": rng.normal(0, 1, (repeats, samples)),
        "walk": np.cumsum(rng.normal(0, 1, (repeats, samples)), axis=1),
        "sine": np.sin(t * rng.uniform(1, 80))[None].repeat(repeats, 0),
        "stairs": np.floor(t * rng.integers(2, 9))[None].repeat(repeats, 0),
        "impulse": (np.arange(samples) == samples // 2)[None].repeat(repeats, 0).astype(float),
        "huge": 1e300 * (t > 0.5)[None].repeat(repeats, 0),
        "tiny": 1e-300 * (t > 0.5)[None].repeat(repeats, 0),
        "negative": -1.0 - (t > rng.uniform(0, 1))[None].repeat(repeats, 0) + rng.normal(0, 0.1, (repeats, samples)),
    }[kind]
    domain = ["luminance", "code", "lightness", "pq"][seed % 4]
    band = None if domain == "luminance" or seed % 3 else 5.0
    for curve in (None, edges.gamma_curve()):
        figures = _figures(_with(rows), edges.context(curve=curve), domain=domain, band=band)
        for f in figures.values():
            assert not np.isinf(f.value)
            assert all(np.isfinite(c.effect) for c in f.budget)
