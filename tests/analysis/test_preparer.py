"""From captures to subjects: light above dark, flags, curve, luminance scale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.plugins.analysis.preparation.curve import curve_of, steady_mean
from greystep.plugins.analysis.preparation.luminance import luminance_scale
from greystep.plugins.analysis.preparation.monotone import interpolate, invert, pool_adjacent_violators
from greystep.plugins.analysis.preparation.preparer import LightParameters, LightPreparer
from greystep.schema.capture import Capture, Channel, Reading
from greystep.schema.dut import Sensor
from greystep.schema.errors import GreystepError
from greystep.schema.flags import SegmentFlag
from greystep.schema.trace import Series, Steady, Transition
from hypothesis import given
from hypothesis import strategies as st

from . import edges

PREPARER, P = LightPreparer(), LightParameters()


def _step(**more: object) -> Capture:
    t = -0.02 + 2e-5 * np.arange(4000)
    edge = edges.exponential(2e-3)(t - 0.004)
    rows = 0.05 + np.array([0.1 + edge, 1.1 - edge] * 3)
    return edges.capture("c01-step-000-255", "step", rows, np.array([0, 255] * 3), np.array([255, 0] * 3), **more)


def _steady(level: int, volts: float, *, noise: float = 1e-4, luminance: float | None = None, seed: int = 0) -> Capture:
    rows = 0.05 + volts + np.random.default_rng(seed + level).normal(0, noise, (4, 2000))
    made = edges.capture(f"c01-steady-{level:03d}", "steady", rows, np.full(4, level), np.full(4, level))
    if luminance is None:
        return made
    reading = Reading(role="luminance", quantity="luminance", value=luminance, unit="cd/m2")
    return replace(made, meta=made.meta.model_copy(update={"readings": (reading,)}))


def test_two_directions_with_the_sensors_dark_taken_off() -> None:
    context = PREPARER.context([_step()], P)
    up, down = PREPARER.subjects(_step(), context, P)
    assert isinstance(up, Transition)
    assert (up.from_level, up.to_level, down.from_level, down.to_level) == (0, 255, 255, 0)
    assert up.light.shape == (3, 4000)
    assert up.light[:, 0] == pytest.approx(0.1, abs=1e-4)
    assert down.light[:, 0] == pytest.approx(1.1, abs=1e-4)
    assert up.unit == "V"
    assert up.quantum == pytest.approx(1e-4)
    assert up.wanted_repeats == 5
    assert up.times_s[0] == pytest.approx(-0.02)
    assert not up.flags


def test_segment_without_trigger_is_left_out_and_flagged_in_its_direction_only() -> None:
    flags = np.zeros(6)
    flags[2] = SegmentFlag.NO_TRIGGER
    capture = _step(flags=flags)
    up, down = PREPARER.subjects(capture, PREPARER.context([capture], P), P)
    assert len(up.light) == 2
    assert "no_trigger" in up.flags
    assert len(down.light) == 3
    assert not down.flags


def test_clipped_segment_stays_and_is_flagged() -> None:
    flags = np.zeros(6)
    flags[1] = SegmentFlag.CLIPPED
    capture = _step(flags=flags)
    up, down = PREPARER.subjects(capture, PREPARER.context([capture], P), P)
    assert not up.flags
    assert down.flags == ("clipped",)
    assert len(down.light) == 3


def test_sample_at_the_end_of_the_range_is_clipped_even_without_a_flag() -> None:
    capture = _step()
    channel = capture.channels["light"]
    codes = channel.codes.copy()
    codes[0, 3000] = 32767
    clipped = replace(capture, channels={"light": replace(channel, codes=codes)})
    up, down = PREPARER.subjects(clipped, PREPARER.context([clipped], P), P)
    assert "clipped" in up.flags
    assert "clipped" not in down.flags


def test_not_a_number_leaves_the_repeat_out() -> None:
    capture = _step()
    values = capture.channels["light"].values()
    values[0, 5] = np.nan
    floats = replace(capture, channels={"light": Channel(values, 1.0, 0.0, "V")})
    up, _ = PREPARER.subjects(floats, PREPARER.context([floats], P), P)
    assert len(up.light) == 2
    assert "bad_samples" in up.flags
    assert up.quantum == 0.0


def test_responsivity_makes_luminance() -> None:
    sensor = Sensor(dark_v=0.05, responsivity_v_per_cd_m2=0.01, responsivity_rel_u=0.03)
    capture = _step(sensor=sensor)
    context = PREPARER.context([capture], P)
    up, _ = PREPARER.subjects(capture, context, P)
    assert up.unit == "cd/m2"
    assert up.light[0, 0] == pytest.approx(10.0, abs=0.02)
    assert context.others["luminance_scale_rel_u"] == 0.03


def test_meter_beside_the_sensor_gives_the_scale_and_its_uncertainty() -> None:
    held = [
        _steady(level, v, luminance=v * 120 * (1 + e)) for level, v, e in ((0, 0.02, 0), (128, 0.4, 0.01), (255, 1.8, -0.002))
    ]
    context = PREPARER.context([*held, _step()], P)
    assert context.luminance_scale == pytest.approx(120, rel=5e-3)
    assert 0 < context.others["luminance_scale_rel_u"] < 0.01
    assert context.curve is not None
    assert context.curve.unit == "cd/m2"
    assert context.curve.light[-1] == pytest.approx(216, rel=5e-3)


def test_meter_that_looks_elsewhere_gives_no_scale() -> None:
    assert luminance_scale(Sensor(), [0.1, 0.5, 1.0], [10, 90, 30]) == (None, 0.0)
    assert luminance_scale(Sensor(), [], []) == (None, 0.0)


def test_nothing_to_prepare_is_an_error() -> None:
    with pytest.raises(GreystepError, match="no capture"):
        PREPARER.context([], P)


def test_missing_steady_captures_make_the_group_incomplete() -> None:
    step = _step(steady_total=2)
    assert not PREPARER.context([_steady(0, 0.1), step], P).complete
    whole = _step(steady_total=0)
    assert PREPARER.context([whole], P).complete


def test_series_of_a_meter() -> None:
    meta = edges.meta("c01-power", "power")
    times = np.array([0.0, 0.5, 1.1])
    capture = replace(
        _step(),
        meta=meta,
        channels={"value": Channel(np.array([[1.0, 1.1, 0.9], [2.0, 2.1, 1.9]]), 1.0, 0.0, "W")},
        from_level=np.array([128, 0], np.int32),
        to_level=np.array([128, 255], np.int32),
        time_s=times,
    )
    (series,) = PREPARER.subjects(capture, PREPARER.context([capture], P), P)
    assert isinstance(series, Series)
    assert series.levels == (128, 255)
    assert series.toggling == (False, True)
    assert series.times_s == pytest.approx(times)
    assert series.unit == "W"


def test_uneven_times_of_an_import_are_brought_to_an_even_grid() -> None:
    capture = _step()
    times = capture.times_s + 4e-6 * np.sin(np.arange(4000))
    values = 0.15 + edges.exponential(2e-3)(times - 0.004)
    uneven = replace(capture, channels={"light": Channel(np.tile(values, (6, 1)), 1.0, 0.0, "V")}, time_s=times)
    up, _ = PREPARER.subjects(uneven, PREPARER.context([uneven], P), P)
    exact = 0.1 + edges.exponential(2e-3)(up.times_s - 0.004)
    assert np.abs(up.light[0] - exact).max() < 2e-3


def test_power_section_of_the_plan_reaches_the_context() -> None:
    capture = replace(_step(), plan_text="[power]\nbattery_wh = 19\nsystem_power_w = 4.0\n")
    context = PREPARER.context([capture], P)
    assert (context.battery_wh, context.system_power_w) == (19.0, 4.0)
    assert PREPARER.context([replace(capture, plan_text="= broken")], P).battery_wh is None


def test_curve_is_monotone_and_says_when_it_was_not() -> None:
    held = [
        Steady(level, np.full((3, 400), v) + 1e-6 * np.random.default_rng(level).normal(size=(3, 400)), 2e-5)
        for level, v in ((0, 0.1), (64, 0.3), (128, 0.28), (255, 1.0))
    ]
    curve = curve_of(held)
    assert curve is not None
    assert (np.diff(curve.light) >= 0).all()
    assert curve.light[1] == pytest.approx(0.29, abs=1e-3)
    assert "curve_not_monotone" in curve.flags
    assert curve.u[1] > 5e-3
    assert curve_of(held[:1]) is None


def test_uncertainty_of_a_held_level_sees_slow_noise() -> None:
    rng = np.random.default_rng(3)
    slow = np.repeat(rng.normal(0, 1e-2, 8), 500)[None] + rng.normal(0, 1e-4, (1, 4000))
    mean, u, dof = steady_mean(Steady(0, 1 + slow, 2e-5))
    assert u == pytest.approx(1e-2 / np.sqrt(8), rel=0.5)
    assert dof == 7
    assert abs(mean - 1) < 4 * u


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=30))
def test_pooled_values_are_in_order_and_keep_their_mean(values: list[float]) -> None:
    y = np.array(values)
    pooled = pool_adjacent_violators(y, np.ones(len(y)))
    assert (np.diff(pooled) >= -1e-12).all()
    assert pooled.mean() == pytest.approx(y.mean(), abs=1e-9)
    assert pool_adjacent_violators(np.sort(y), np.ones(len(y))) == pytest.approx(np.sort(y))


@given(st.lists(st.floats(0.01, 10), min_size=2, max_size=20), st.integers(0, 2**32 - 1))
def test_interpolation_is_monotone_and_undone_by_its_inverse(steps: list[float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.cumsum(rng.uniform(0.5, 2, len(steps))), np.cumsum(steps)
    at = np.linspace(x[0] - 1, x[-1] + 1, 200)
    values = interpolate(x, y, at)
    assert (np.diff(values) > -1e-9).all()
    assert interpolate(x, y, x) == pytest.approx(y)
    inner = at[(at > x[0]) & (at < x[-1])]
    back = interpolate(x, y, invert(x, y, interpolate(x, y, inner)))
    assert back == pytest.approx(interpolate(x, y, inner), rel=1e-9, abs=1e-9)


def test_interpolation_is_that_of_scipy() -> None:
    from scipy.interpolate import PchipInterpolator

    x, y = np.array([0, 1, 3, 4, 7.0]), np.array([0, 0.1, 0.5, 2, 2.2])
    at = np.linspace(0, 7, 71)
    assert interpolate(x, y, at) == pytest.approx(PchipInterpolator(x, y)(at), abs=1e-12)
