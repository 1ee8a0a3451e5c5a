"""Moving-edge closed forms. Values: collection of reference checks, section 2.3, all [derived] there unless said otherwise."""

from __future__ import annotations

import numpy as np
import pytest
from greystep.plugins.analysis.motion.edge_time import EXTENSION, blur_width, edge_times
from greystep.plugins.analysis.motion.gaussian import GET_PER_SIGMA, fit_gaussian_edge
from greystep.plugins.analysis.motion.persistence import persistence_s, time_above_middle
from greystep.plugins.analysis.motion.profile import moving_edge_profile, running_integral, step_profile

from . import traces

STEP_S = 1e-6


def _bet_ms(edge: traces.Edge, refresh_hz: float, reach_s: float = 0.12) -> float:
    t = np.arange(-0.03, reach_s, STEP_S * 5)
    profile = step_profile(t, edge(t), 1 / refresh_hz)
    return 1e3 * edge_times(t, profile, 0.5 / refresh_hz).duration_s


@pytest.mark.parametrize(
    ("hz", "bet_ms", "ebet_ms"),
    [
        (60, 13.333333, 16.666667),
        (90, 8.888889, 11.111111),
        (120, 6.666667, 8.333333),
        (144, 5.555556, 6.944444),
        (240, 3.333333, 4.166667),
    ],
)
def test_instant_hold_display_has_eight_tenths_of_the_refresh(hz: float, bet_ms: float, ebet_ms: float) -> None:
    found = _bet_ms(traces.instant, hz)
    assert found == pytest.approx(bet_ms, rel=5e-4)
    assert found / EXTENSION == pytest.approx(ebet_ms, rel=5e-4)


@pytest.mark.parametrize(
    ("hz", "tau_ms", "bet_ms", "ebet_ms"),
    [
        (60, 1, 13.408220, 16.760275),
        (60, 2, 13.752434, 17.190542),
        (60, 4, 15.803801, 19.754751),
        (60, 8, 22.367172, 27.958965),
        (120, 1, 6.876217, 8.595271),
        (120, 2, 7.901900, 9.877375),
        (120, 4, 11.183586, 13.979483),
        (240, 1, 3.950950, 4.938688),
        (240, 2, 5.591793, 6.989741),
    ],
)
def test_exponential_pixel_under_hold(hz: float, tau_ms: float, bet_ms: float, ebet_ms: float) -> None:
    found = _bet_ms(traces.exponential(tau_ms * 1e-3), hz)
    assert found == pytest.approx(bet_ms, rel=5e-4)  # tolerance 0.05 % as the source states
    assert found / EXTENSION == pytest.approx(ebet_ms, rel=5e-4)


@pytest.mark.parametrize(
    ("ramp_ms", "frame_ms", "bet_ms"),
    [(4, 16.6667, 13.363699), (8, 8.3333, 9.030366), (16.6667, 16.6667, 18.426213)],
)
def test_linear_pixel_under_hold_is_a_trapezoid(ramp_ms: float, frame_ms: float, bet_ms: float) -> None:
    assert _bet_ms(traces.ramp(ramp_ms * 1e-3), 1e3 / frame_ms) == pytest.approx(bet_ms, rel=1e-4)


def test_profile_follows_the_closed_form_of_the_exponential() -> None:
    """m(t) = t/T - (tau/T)(1 - e^(-t/tau)) up to T, then 1 - (tau/T)(e^(T/tau) - 1) e^(-t/tau)."""
    tau, frame = 4e-3, 1 / 60
    t = np.arange(-0.03, 0.08, 1e-5)
    found = step_profile(t, traces.exponential(tau)(t), frame)
    early = t / frame - tau / frame * (1 - np.exp(-t / tau))
    late = 1 - tau / frame * np.expm1(frame / tau) * np.exp(-t / tau)
    expected = np.where(t < 0, 0.0, np.where(t < frame, early, late))
    assert np.max(np.abs(found - expected)) < 2e-6


@pytest.mark.parametrize(("width", "per_tau"), [(0.25, 2.197928), (0.5, 2.229170), (1, 2.360727), (2, 2.757264), (4, 3.847710)])
def test_moving_window_biases_the_duration_as_published(width: float, per_tau: float) -> None:
    """Same formula as the profile; published as "up to 46 %" (Elze and Tanner, Med. Phys. 2009 [verified: abstract])."""
    tau = 1e-3
    assert _bet_ms(traces.exponential(tau), 1 / (width * tau), 0.03) == pytest.approx(per_tau, rel=1e-4)


def _get_ms(edge: traces.Edge, refresh_hz: float) -> tuple[float, float, float]:
    t = np.arange(-0.1, 0.15, 2e-5)
    profile = step_profile(t, edge(t), 1 / refresh_hz)
    mu, sigma = fit_gaussian_edge(t, profile[None, :], 0.5 / refresh_hz, 0.3 / refresh_hz)
    return 1e3 * mu[0], 1e3 * sigma[0], 1e3 * GET_PER_SIGMA * sigma[0]


@pytest.mark.parametrize(("hz", "get_ms"), [(60, 13.662347), (120, 6.831173)])
def test_gaussian_edge_time_of_the_hold_ramp_is_a_fit_and_not_a_moment(hz: float, get_ms: float) -> None:
    found = _get_ms(traces.instant, hz)[2]
    assert found == pytest.approx(get_ms, rel=1e-3)
    assert found * hz / 1e3 == pytest.approx(0.819740808, rel=1e-3)
    moment = GET_PER_SIGMA / np.sqrt(12)
    assert moment == pytest.approx(0.739904, rel=1e-5)
    assert abs(found * hz / 1e3 - moment) > 0.05


def test_gaussian_edge_time_of_the_exponential_pixel() -> None:
    mu, sigma, get = _get_ms(traces.exponential(4e-3), 60)
    assert mu == pytest.approx(12.128415, rel=1e-3)
    assert sigma == pytest.approx(6.275426, rel=1e-3)
    assert get == pytest.approx(16.084564, rel=1e-3)
    assert _get_ms(traces.exponential(2e-3), 120)[2] == pytest.approx(8.042282, rel=1e-3)


def test_gaussian_edge_time_of_a_gaussian_edge_is_its_own_duration() -> None:
    """2 Phi^-1(0.9) sigma = 2.5631031311 sigma (section 1.3)."""
    from scipy.special import ndtr

    t = np.linspace(-0.05, 0.05, 4001)
    _, sigma = fit_gaussian_edge(t, np.array([ndtr(t / 3e-3), ndtr((t - 2e-3) / 5e-3)]), 0.0, 1e-2)
    assert GET_PER_SIGMA * sigma == pytest.approx([2.5631031311 * 3e-3, 2.5631031311 * 5e-3], rel=1e-8)


@pytest.mark.parametrize(
    ("display", "duration_ms", "get_ms"),
    [("rise of display 1", 13.64, 18.80), ("fall of display 1", 17.10, 21.07)],
)
def test_model_of_a_measured_display_brackets_its_published_value(display: str, duration_ms: float, get_ms: float) -> None:
    """Hallum and Cloherty 2021: GET 20.5 ms at 60 Hz [verified]; the model is an exponential of that duration [derived]."""
    found = _get_ms(traces.exponential(duration_ms * 1e-3 / np.log(9)), 60)[2]
    assert found == pytest.approx(get_ms, rel=2e-3), display
    assert (found < 20.5) == (display.startswith("rise"))


@pytest.mark.parametrize(
    ("hz", "duty", "persistence_ms", "bet_ms"),
    [
        (120, 0.25, 2.083333, 1.666667),
        (120, 0.1, 0.833333, 0.666667),
        (144, 0.2, 1.388889, 1.111111),
        (240, 0.5, 2.083333, 1.666667),
    ],
)
def test_frame_average_of_strobed_light_is_a_ramp_of_the_pulse(
    hz: float, duty: float, persistence_ms: float, bet_ms: float
) -> None:
    t = np.arange(-0.02, 0.04, 2e-7)
    lit = ((t * hz) % 1.0 < duty) & (t >= 0)
    integral = running_integral(float(t[0]), float(t[1] - t[0]), lit.astype(np.float64), 0.0, 0.0)
    inner = t[(t > -0.01) & (t < 0.03)]
    profile = moving_edge_profile(integral, inner, 1 / hz) / duty
    assert 1e3 * edge_times(inner, profile, 0.0).duration_s == pytest.approx(bet_ms, rel=1e-3)
    pulses = (t * hz) % 1.0 < duty
    samples = round(4 / hz / (t[1] - t[0]))
    found = time_above_middle(pulses[None, : samples + 1].astype(np.float64), samples)[0]
    assert 1e3 * persistence_s(float(found), 1 / hz) == pytest.approx(persistence_ms, rel=1e-3)


def test_blur_width_is_edge_time_times_speed() -> None:
    """BEW = BET v [derived]; N-BEW = BEW/(pixel per frame) = BET/T."""
    assert blur_width(13.333333e-3, 960.0) == pytest.approx(12.8, rel=1e-6)
    assert blur_width(13.333333e-3, 960.0) / (960.0 / 60) == pytest.approx(0.8, rel=1e-6)


def test_running_integral_is_exact_for_straight_lines() -> None:
    t = np.array([0.0, 1.0, 2.0, 3.0])
    integral = running_integral(0.0, 1.0, np.array([0.0, 2.0, 2.0, 4.0]), 0.0, 4.0)
    at = np.array([-1.0, 0.0, 0.5, 1.0, 1.5, 2.5, 3.0, 4.0])
    assert integral(at) == pytest.approx([0.0, 0.0, 0.25, 1.0, 2.0, 4.25, 6.0, 10.0])
    assert t[-1] == 3.0
