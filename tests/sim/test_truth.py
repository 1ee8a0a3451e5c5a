"""The truth agrees with closed forms and with the light itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from greystep.sim_instruments.panel.catalogue import panel
from greystep.sim_instruments.panel.cell import CellSpeed
from greystep.sim_instruments.panel.curve import LightCurve
from greystep.sim_instruments.panel.display import Display
from greystep.sim_instruments.panel.trajectory import Trajectory
from greystep.sim_instruments.truth.transition import isolated_transition, transition_truth


def exponential_display(tau_s: float) -> Display:
    """Linear curve, one pole in effect: its light is 1 - exp(-t / tau)."""
    spec = replace(
        panel("vireth-10"),
        curve=LightCurve(white_cd_m2=255.0, black_cd_m2=0.0, gamma=1.0),
        speed=CellSpeed(base_s=tau_s, ratio=1e-7),
    )
    return Display(spec, spec.default_condition())


def test_exponential_gives_ln_9_time_constants() -> None:
    truth = isolated_transition(exponential_display(4e-3), 0, 255, window_s=0.2)
    # reference-checks 1.3 [derived]
    assert truth.duration_10_90_s == pytest.approx(2.1972245773 * 4e-3, rel=1e-5)
    assert truth.t50_s - truth.light_start_s == pytest.approx(0.693147181 * 4e-3, rel=1e-5)
    assert truth.t10_s - truth.light_start_s == pytest.approx(0.105360516 * 4e-3, rel=1e-4)
    assert truth.completion_one_frame == pytest.approx(1 - np.exp(-(1 / 60) / 4e-3), rel=1e-6)
    # From 8 to 247 of 255 codes.
    assert truth.code_first_entry_duration_s == pytest.approx(4e-3 * np.log((255 - 8) / 8), rel=1e-5)
    assert truth.code_settled_duration_s == pytest.approx(truth.code_first_entry_duration_s, rel=1e-9)
    assert truth.overshoot_percent == 0.0


def test_gamma_coding_stretches_a_fall_as_the_closed_form_says() -> None:
    shown = exponential_display(4e-3)
    shown = replace(shown, spec=replace(shown.spec, curve=LightCurve(255.0, 0.0, 2.2)))
    truth = isolated_transition(shown, 255, 0, window_s=0.2)
    # Here the code decays exponentially, so light falls 2.2 times as fast.
    assert truth.duration_10_90_s == pytest.approx(2.1972245773 * 4e-3 / 2.2, rel=1e-5)


def test_transition_cut_off_by_the_next_is_said_to_be_unfinished() -> None:
    spec = panel("nydorf-15")
    shown = Display(spec, spec.default_condition())
    trajectory = Trajectory(shown, -1.0, 0).extend([(0.0, 64), (1 / 60, 0)])
    truth = transition_truth(trajectory, 0.0, 0.0, 1 / 60 + shown.latency_s, 0, 64)
    assert truth.code_first_entry_duration_s is None
    assert truth.code_settled_duration_s is None
    assert truth.t90_s is None
    assert truth.end_error_codes < -20.0
    following = transition_truth(trajectory, 1 / 60, 1 / 60, 0.5, 64, 0)
    assert following.start_error_codes == pytest.approx(truth.end_error_codes, abs=1e-6)


@pytest.mark.parametrize("mode", ["off", "normal", "strong"])
@pytest.mark.parametrize(("from_level", "to_level"), [(0, 64), (192, 64), (64, 192)])
def test_figures_can_be_read_off_the_light(mode: str, from_level: int, to_level: int) -> None:
    spec = panel("pellowane-24")
    shown = Display(spec, replace(spec.default_condition(), overdrive=mode))
    truth = isolated_transition(shown, from_level, to_level, window_s=0.4)
    frame = shown.frame_at_or_after_s(0.0)
    trajectory = Trajectory(shown, frame - 1.0, from_level).extend([(frame, to_level)])
    step_s = 2e-6
    t = np.arange(0.0, 0.4, step_s)
    light = trajectory.luminance_cd_m2(frame + t, modulated=False)
    share = (light - truth.from_cd_m2) / (truth.to_cd_m2 - truth.from_cd_m2)
    codes = 255.0 * spec.curve.drive(light)
    sign = np.sign(to_level - from_level)
    assert t[np.argmax(share > 0.1)] == pytest.approx(truth.t10_s, abs=2 * step_s)
    assert t[np.argmax(share > 0.9)] == pytest.approx(truth.t90_s, abs=2 * step_s)
    assert t[np.argmax(sign * (codes - from_level) > 8)] == pytest.approx(truth.code_start_s, abs=2 * step_s)
    assert t[np.argmax(sign * (codes - to_level) > -8)] == pytest.approx(truth.code_first_entry_s, abs=2 * step_s)
    outside = np.flatnonzero(np.abs(codes - to_level) > 8)
    assert t[outside[-1] + 1] == pytest.approx(truth.code_settled_s, abs=2 * step_s)
    assert max(0.0, 100 * (share.max() - 1)) == pytest.approx(truth.overshoot_percent, abs=0.02)
