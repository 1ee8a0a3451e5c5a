"""Scales of the reference levels: light of codes and back, what happens beyond the ends, what an error of the curve does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.preparation.curve import Interpolant, strict
from greystep.plugins.analysis.transition.domain import domain_of
from greystep.plugins.analysis.transition.estimator import TransitionEstimator
from greystep.plugins.analysis.transition.greyscale import srgb_light
from greystep.plugins.analysis.transition.parameters import TransitionParameters
from greystep.plugins.analysis.transition.reference import references
from greystep.schema.trace import Curve

from . import edges


def _srgb_curve(points: int = 17) -> Curve:
    levels = np.round(np.linspace(0, 255, points))
    return Curve(levels, srgb_light(levels / 255), np.full(points, 1e-5), np.full(points, 9.0), "V")


def test_levels_between_51_and_204_on_the_code_axis() -> None:
    """10/50/90 % in luminance: 0.090 177 024 / 0.318 466 053 / 0.546 755 082 = codes 84.697 / 152.982 / 195.164, not
    66 / 127.5 / 189 (reference-checks 3 [derived])."""
    start, end = (float(v) for v in srgb_light(np.array([51, 204]) / 255))
    light = start + np.array([0.1, 0.5, 0.9]) * (end - start)
    assert light == pytest.approx([0.090177024, 0.318466053, 0.546755082], abs=5e-9)
    assumed = domain_of("srgb", 51, 204, start, end, edges.context(), "V")
    assert assumed.value(light) == pytest.approx([84.697, 152.982, 195.164], abs=5e-4)
    measured = domain_of("code", 51, 204, start, end, edges.context(curve=_srgb_curve()), "V")
    assert measured.value(light) == pytest.approx([84.697, 152.982, 195.164], abs=0.05)
    assert not measured.flags
    assert assumed.flags == ("assumed_curve",)


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.2, 2.6])
@pytest.mark.parametrize("black", [0.0, 0.001, 0.1])
def test_seventeen_steady_levels_give_any_code_to_a_twentieth(gamma: float, black: float) -> None:
    curve = edges.gamma_curve(black=black, gamma=gamma)
    known = Interpolant.of(curve)
    codes = np.linspace(0, 255, 511)
    light = black + (1.0 - black) * (codes / 255) ** gamma
    assert np.abs(known.codes(light) - codes).max() < 0.05
    assert np.abs(known.light(codes) - light).max() < 2e-4
    assert known.codes(known.light(codes)) == pytest.approx(codes, abs=1e-6)


def test_beyond_the_ends_the_scale_goes_on_and_says_where_it_was_measured() -> None:
    curve = edges.gamma_curve()
    d = domain_of("code", 0, 255, 0.2, 1.0, edges.context(curve=curve), "V")
    assert (d.lowest, d.highest) == (0, 255)
    beyond = d.value(np.array([0.19, 0.2, 1.0, 1.05]))
    assert beyond[0] < beyond[1] == pytest.approx(0, abs=1e-6)
    assert beyond[3] > beyond[2] == pytest.approx(255)
    refs = references(d, np.array([-3.0, 100.0, 258.0]), 0.2, 1.0)
    assert [r.outside for r in refs] == [True, False, True]


def test_drift_of_gain_and_dark_between_curve_and_trace_moves_no_reference() -> None:
    curve = edges.gamma_curve()
    drifted = replace(curve, light=0.9 * curve.light + 0.03)
    for c in (curve, drifted):
        d = domain_of("code", 34, 221, 0.3, 0.8, edges.context(curve=c), "V")
        r = references(d, np.array([42.0]), 0.3, 0.8)[0]
        assert r.ratio == pytest.approx(0.0096, abs=2e-3)
        assert r.light == pytest.approx(0.3 + 0.5 * r.ratio)


def test_an_error_of_the_curve_moves_the_references_by_its_uncertainty() -> None:
    curve = replace(edges.gamma_curve(), u=np.full(17, 1e-3))
    d = domain_of("code", 0, 255, 0.2, 1.0, edges.context(curve=curve), "V")
    # 128 is a held level: an error there is an error of the reference, one to one.
    at = float(curve.levels[8])
    effects = {k: e for k, e, _ in references(d, np.array([at]), 0.2, 1.0)[0].curve_effects}
    assert effects[f"curve:{int(at)}"] == pytest.approx(1e-3, rel=1e-6)
    # An error of both ends of the curve is taken up by the fit to the trace's own levels.
    assert effects["curve:0"] == pytest.approx(-1e-3 * (1 - 0.22), rel=0.1)


def test_light_without_a_place_on_the_scale_is_a_message() -> None:
    """A sensor that gives less than its dark from light on: nothing there is white."""
    below = edges.transition(lambda t: edges.exponential(2e-3)(t) - 1.0, noise=1e-3, repeats=4)
    p = TransitionParameters(domain="lightness")
    for figure in TransitionEstimator().estimate(below, edges.context(), p):
        assert not figure.measurable
        assert figure.reason


def test_lightness_reference_follows_both_levels() -> None:
    def rebuild(start: float, end: float):  # type: ignore[no-untyped-def]
        return domain_of("lightness", 0, 255, start, end, edges.context(curve=edges.gamma_curve()), "V")

    d = rebuild(0.2, 1.0)
    scale = np.array([d.start + 0.1 * d.step])
    r = references(d, scale, 0.2, 1.0, rebuild)[0]
    moved = rebuild(0.21, 1.0)
    there = float(moved.light(np.array([moved.start + 0.1 * moved.step]))[0])
    assert r.d_start == pytest.approx((there - r.light) / 0.01, rel=0.02)


def test_levels_that_pooling_made_equal_are_left_out() -> None:
    curve = edges.gamma_curve()
    light = curve.light.copy()
    light[3] = light[4]
    assert len(strict(replace(curve, light=light)).levels) == 16
