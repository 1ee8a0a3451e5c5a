"""From captures with a rippling backlight through the preparation to moving edge, delay and flicker."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from greystep.plugins.analysis.delay.estimator import DelayEstimator
from greystep.plugins.analysis.flicker.estimator import FlickerEstimator
from greystep.plugins.analysis.motion.estimator import HOLD_QUANTITIES, MovingEdgeEstimator
from greystep.plugins.analysis.preparation.preparer import LightPreparer
from greystep.schema.capture import Capture
from greystep.schema.dut import Sensor
from greystep.schema.figure import Figure
from greystep.schema.uncertainty import combine

from ..analysis import edges
from . import traces

TAU_S, RATE_HZ, DARK, BLACK, WHITE = 4e-3, 50e3, 0.05, 0.05, 2.0
Light = Callable[[np.ndarray], np.ndarray]


def pwm(t: np.ndarray) -> np.ndarray:
    """240.7 Hz, 20 % deep, half on: not locked to the refresh."""
    return np.where((240.7 * t) % 1.0 < 0.5, 1.1, 0.9)


def dips(t: np.ndarray) -> np.ndarray:
    """A self-luminous panel: 8 % dark for 5 % of each refresh."""
    return np.where((60.0 * t) % 1.0 < 0.05, 0.92, 1.0) / 0.996


def strobe(t: np.ndarray) -> np.ndarray:
    """On for a fifth of each refresh."""
    return np.where((60.0 * t) % 1.0 < 0.2, 5.0, 0.0)


def steady_light(t: np.ndarray) -> np.ndarray:
    """No ripple."""
    return np.ones_like(t)


def _captures(backlight: Light, locked: bool) -> tuple[list[Capture], Capture]:
    rng = np.random.default_rng(11)
    held = np.arange(10000) / RATE_HZ
    steady = []
    for level in range(0, 256, 51):
        light = BLACK + (WHITE - BLACK) * (level / 255) ** 2.2
        rows = [DARK + light * backlight(held + (0 if locked else rng.uniform())) for _ in range(4)]
        noisy = np.array(rows) + 1e-3 * rng.standard_normal((4, len(held)))
        steady.append(
            edges.capture(f"c01-steady-{level:03d}", "steady", noisy, np.full(4, level), np.full(4, level), start_s=0.0)
        )
    t = -0.03 + np.arange(9000) / RATE_HZ
    edge = traces.exponential(TAU_S)(t - traces.LATENCY_S)
    rows = []
    for i in range(12):
        s = edge if i % 2 == 0 else 1 - edge
        phase = 0.0 if locked else rng.uniform()
        rows.append(DARK + (BLACK + (WHITE - BLACK) * s) * backlight(t + phase) + 1e-3 * rng.standard_normal(len(t)))
    up = np.array([0, 255] * 6)
    sensor = Sensor(dark_v=DARK, bandwidth_hz=1e6)
    return steady, edges.capture("c01-step-000-255", "step", np.array(rows), up, 255 - up, start_s=-0.03, sensor=sensor)


def _figures(backlight: Light, locked: bool = False) -> tuple[list[Figure], list[Figure], list[Figure]]:
    steady, step = _captures(backlight, locked)
    preparer = LightPreparer()
    parameters = preparer.Parameters()
    context = preparer.context(steady, parameters)
    out: list[list[Figure]] = []
    for estimator, captures in ((MovingEdgeEstimator(), [step]), (DelayEstimator(), [step]), (FlickerEstimator(), steady)):
        subjects = [s for c in captures for s in preparer.subjects(c, context, parameters)]
        out.append([f for s in subjects for f in estimator.estimate(s, context, estimator.Parameters())])
    return out[0], out[1], out[2]


@pytest.mark.parametrize(
    ("backlight", "locked"), [(steady_light, True), (pwm, False), (dips, True)], ids=["none", "pwm", "dips"]
)
def test_ripple_does_not_change_the_moving_edge(backlight: Light, locked: bool) -> None:
    """60 Hz, tau 4 ms: BET 15.803 801 ms, GET 16.084 564 ms (reference checks 2.3 [derived])."""
    moving, delays, _ = _figures(backlight, locked)
    for figure in moving:
        truth = {"blur_edge_time": 15.803801e-3, "gaussian_edge_time": 16.084564e-3}.get(figure.quantity)
        if truth:
            assert not figure.bound, figure
            assert figure.value == pytest.approx(truth, rel=5e-3), (figure.quantity, figure.from_level)
            assert abs(figure.value - truth) <= 1.5 * combine(figure.budget).expanded, (figure.quantity, figure.from_level)
    for figure in delays:
        part = 0.5 if figure.quantity == "delay_50" else figure.detail["threshold"]
        truth = traces.LATENCY_S - TAU_S * np.log(1 - part)
        assert figure.value == pytest.approx(truth, abs=2.5e-4), (figure.quantity, figure.from_level, figure.bound)


def test_strobe_is_recognised_on_the_way() -> None:
    moving, _, flicker = _figures(strobe, True)
    for figure in moving:
        if figure.quantity in HOLD_QUANTITIES:
            assert not figure.measurable
            assert "strobed" in figure.flags
        else:
            assert figure.quantity == "persistence"
            assert figure.value == pytest.approx(0.2 / 60, rel=0.01)
    top = next(f for f in flicker if f.quantity == "modulation_depth" and f.to_level == 255)
    assert top.value == pytest.approx(1.0, abs=0.01)


def test_flicker_of_the_pulse_width_modulation() -> None:
    """Rectangle 1.1/0.9, d 0.5: M 10 %, FI d(1-d)(H-L)/mean = 0.05 (reference checks 4.2 [derived])."""
    _, _, flicker = _figures(pwm)
    found = {f.quantity: f for f in flicker if f.to_level == 255}
    for quantity, truth in (("flicker_frequency", 240.7), ("modulation_depth", 0.1), ("flicker_index", 0.05)):
        assert abs(found[quantity].value - truth) <= combine(found[quantity].budget).expanded, quantity
