"""A display as a whole: settled light, overdrive, delays, backlight, warm-up, changes of condition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.sim_instruments.mounted import BLANK_S, MountedDisplay
from greystep.sim_instruments.panel.backlight import PulsedLight, RefreshDip, SteadyLight, dimmed
from greystep.sim_instruments.panel.catalogue import PANELS, panel
from greystep.sim_instruments.panel.display import Display
from greystep.sim_instruments.panel.trajectory import Trajectory
from greystep.sim_instruments.truth.transition import isolated_transition


def display(name: str, **condition: object) -> Display:
    spec = panel(name)
    return Display(spec, replace(spec.default_condition(), **condition))  # type: ignore[arg-type]


@pytest.mark.parametrize("spec", PANELS, ids=lambda spec: spec.name)
def test_a_held_level_gives_the_luminance_of_the_curve(spec) -> None:
    shown = Display(spec, spec.default_condition())
    for level in (0, 1, 64, 255):
        trajectory = Trajectory(shown, 0.0, 128).extend([(shown.frame_at_or_after_s(0.0), level)])
        light = trajectory.luminance_cd_m2(np.array([3.0]), modulated=False)[0]
        share = (level / 255.0) ** spec.curve.gamma
        expected = spec.curve.black_cd_m2 + share * (spec.curve.white_cd_m2 - spec.curve.black_cd_m2)
        assert light == pytest.approx(expected * shown.modulation.mean, rel=1e-6)


def test_history_may_grow_event_by_event_or_be_given_at_once() -> None:
    shown = display("pellowane-24")
    events = [(k * 7 * shown.frame_s, level) for k, level in enumerate((255, 0, 64, 192, 64, 128), start=1)]
    grown = Trajectory(shown, 0.0, 0)
    t = np.linspace(0.0, 0.6, 5000)
    for event in events:
        grown.luminance_cd_m2(t)  # looking must not change anything
        grown.extend([event])
    np.testing.assert_array_equal(grown.luminance_cd_m2(t), Trajectory(shown, 0.0, 0).extend(events).luminance_cd_m2(t))


def test_level_appears_at_the_next_frame_after_scan_and_processing() -> None:
    shown = display("olmara-20")
    assert shown.frame_at_or_after_s(0.001) == pytest.approx(1 / 60)
    assert shown.frame_at_or_after_s(1 / 60) == pytest.approx(1 / 60)
    # one frame held back, half of the scan (96 % of the frame), 2.1 ms of processing
    assert shown.latency_s == pytest.approx((1 + 0.5 * 0.96) / 60 + 2.1e-3)
    frame = shown.frame_at_or_after_s(0.001)
    trajectory = Trajectory(shown, 0.0, 0).extend([(frame, 255)])
    light = trajectory.luminance_cd_m2(frame + shown.latency_s + np.array([-1e-6, 1e-3]), modulated=False)
    assert light[0] == pytest.approx(0.26, rel=1e-9)
    assert light[1] > 0.27


def test_variable_refresh_does_not_wait_for_a_frame_boundary() -> None:
    shown = display("vireth-10x", vrr=True)
    assert shown.frame_at_or_after_s(0.00123) == 0.00123
    assert shown.frame_at_or_after_s(0.00123, last_frame_s=0.0) == pytest.approx(1 / 144)


def test_overdrive_is_faster_and_overshoots_by_what_the_table_allows() -> None:
    off, normal, strong = (
        isolated_transition(display("vireth-10x", overdrive=mode, refresh_rate_hz=60.0), 64, 192)
        for mode in ("off", "normal", "strong")
    )
    assert off.overshoot_codes == pytest.approx(0.0, abs=1e-3)
    assert strong.code_first_entry_duration_s < normal.code_first_entry_duration_s < 0.9 * off.code_first_entry_duration_s
    assert normal.overshoot_codes == pytest.approx(0.02 * 128, rel=1e-3)
    assert strong.overshoot_codes == pytest.approx(0.15 * 128, rel=1e-3)
    # Beyond the band: settled comes after the overdriven frame, long after first entry.
    assert normal.code_settled_duration_s == pytest.approx(normal.code_first_entry_duration_s, rel=1e-9)
    assert strong.code_settled_duration_s > 1 / 60 > strong.code_first_entry_duration_s


def test_cold_panel_falls_short_of_what_its_overdrive_table_was_made_for() -> None:
    spec = panel("vireth-10x")
    strong = replace(spec.default_condition(), overdrive="strong")
    warm, cold = (isolated_transition(Display(spec, strong, on_s=on_s, room_c=23.0), 64, 192) for on_s in (-1e9, 0.9))
    assert warm.overshoot_codes == pytest.approx(0.15 * 128, rel=1e-3)
    assert cold.overshoot_codes < 0.7 * warm.overshoot_codes


def test_overdrive_can_not_leave_the_range_of_the_driver_chip() -> None:
    off, strong = (isolated_transition(display("vireth-10x", overdrive=mode), 0, 255) for mode in ("off", "strong"))
    assert strong.overshoot_codes < 255 * 0.025  # headroom of 2 %
    assert strong.code_first_entry_duration_s > 0.9 * off.code_first_entry_duration_s


def test_cold_panel_is_slower_and_dimmer_than_warm() -> None:
    spec = panel("nydorf-15")
    warm = Display(spec, spec.default_condition())
    cold = Display(spec, spec.default_condition(), on_s=0.0, room_c=5.0)
    fast, slow = isolated_transition(warm, 0, 128), isolated_transition(cold, 0, 128)
    assert slow.code_first_entry_duration_s > 1.5 * fast.code_first_entry_duration_s
    assert slow.to_cd_m2 == pytest.approx(fast.to_cd_m2 * 0.8, rel=1e-3)


@pytest.mark.parametrize(("fraction", "depth"), [(0.5, 1.0), (0.3, 0.9), (0.95, 0.1)])
def test_dimming_wave_has_the_mean_that_was_set(fraction: float, depth: float) -> None:
    light = dimmed(fraction, 240.0, depth)
    assert isinstance(light, PulsedLight)
    factor = light.factor(np.arange(0, 1.0, 1e-6))
    assert light.mean == pytest.approx(fraction)
    assert factor.mean() == pytest.approx(fraction, rel=1e-3)
    assert factor.min() == pytest.approx(1 - depth)
    rising = np.flatnonzero(np.diff(factor) > 0)
    assert len(rising) in (239, 240)


def test_full_luminance_and_dc_dimming_have_no_ripple() -> None:
    assert dimmed(1.0, 240.0, 0.9) == SteadyLight(1.0)
    assert dimmed(0.4, 0.0, 0.0) == SteadyLight(0.4)


def test_oled_dips_once_a_frame() -> None:
    shown = display("tessik-5", refresh_rate_hz=90.0)
    assert isinstance(shown.modulation, RefreshDip)
    factor = shown.modulation.factor(np.arange(0, 1.0, 5e-6))
    assert factor.min() == pytest.approx(0.97, abs=1e-4)
    assert factor.mean() == pytest.approx(shown.modulation.mean, rel=1e-4)
    edges = np.flatnonzero((factor[1:] < 0.985) & (factor[:-1] >= 0.985))
    assert np.diff(edges).mean() * 5e-6 == pytest.approx(1 / 90, rel=1e-3)


def test_strobe_is_dark_between_flashes() -> None:
    shown = display("vireth-10x", strobe=True)
    light = Trajectory(shown, 0.0, 255).luminance_cd_m2(np.arange(0.5, 0.6, 1e-5))
    assert np.mean(light > 0) == pytest.approx(0.12, abs=0.005)
    assert light.max() == pytest.approx(1.6 * 400.0, rel=1e-6)


def test_change_of_mode_blanks_the_screen_and_change_of_overdrive_does_not() -> None:
    mounted = MountedDisplay(panel("vireth-10x"), 0.0, cold=False, room_c=23.0)
    mounted.send(mounted.frame_for(0.0), 255)
    mounted.change(1.0, refresh_rate_hz=60.0)
    light = mounted.luminance_cd_m2(np.array([0.9, 1.01, 1.0 + BLANK_S - 0.001, 1.0 + BLANK_S + 0.001]))
    assert light == pytest.approx([400.0, 0.0, 0.0, 400.0], rel=1e-6)
    frame = mounted.frame_for(2.0)
    mounted.send(frame, 0)
    middle = frame + mounted.display.latency_s + 0.004
    mounted.change(middle, overdrive="off")
    around = mounted.luminance_cd_m2(np.array([middle - 1e-7, middle + 1e-7]))
    assert 10.0 < around[0] < 390.0
    assert around[1] == pytest.approx(around[0], rel=1e-3)


def test_power_follows_backlight_level_and_overdrive() -> None:
    lcd, oled = display("vireth-10x"), display("quandle-27")
    assert lcd.power_w(400.0) == pytest.approx(lcd.power_w(0.0))
    assert lcd.power_w(0.0) - display("vireth-10x", luminance_percent=50.0).power_w(0.0) == pytest.approx(8.0)
    assert lcd.power_w(0.0) - display("vireth-10x", overdrive="off").power_w(0.0) == pytest.approx(0.2)
    assert oled.power_w(250.0) - oled.power_w(0.0) == pytest.approx(40.0)
