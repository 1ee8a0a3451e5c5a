"""Curves for pictures are the curves that the figures were read from."""

import numpy as np
import pytest
from greystep.plugins.analysis.flicker.estimator import FlickerEstimator, FlickerParameters
from greystep.plugins.analysis.motion.estimator import MovingEdgeEstimator, MovingEdgeParameters
from greystep.schema.dut import Condition
from greystep.schema.trace import Context, Ripple, Steady, Transition

CONTEXT = Context(condition=Condition(refresh_rate_hz=60.0))


def exponential(tau_s=2e-3, interval_s=2e-5):
    t = -0.02 + interval_s * np.arange(6000)
    rise = np.where(t > 0, -np.expm1(-np.clip(t, 0, None) / tau_s), 0.0)
    return Transition(0, 255, np.tile(rise, (3, 1)), -0.02, interval_s)


def test_profile_of_an_exponential_pixel_follows_the_closed_form():
    """m(t) = t/T - (tau/T)(1 - exp(-t/tau)) up to T, then 1 - (tau/T)(exp(T/tau) - 1) exp(-t/tau) (derived by integration)."""
    curves = MovingEdgeEstimator().curves(exponential(), CONTEXT, MovingEdgeParameters())
    profile = next(c for c in curves if not c.reference)
    T, tau = 1 / 60, 2e-3
    t = np.linspace(0, 0.06, 200_001)
    m = np.where(t < T, t / T - tau / T * -np.expm1(-t / tau), 1 - tau / T * np.expm1(T / tau) * np.exp(-t / tau))
    middle = np.interp(0.5, m, t)
    expected = np.interp(1e-3 * profile.x + middle, t, m)
    np.testing.assert_allclose(profile.y, expected, atol=2e-4)


def test_instant_pixel_is_a_ramp_of_one_refresh():
    curves = MovingEdgeEstimator().curves(exponential(), CONTEXT, MovingEdgeParameters())
    ramp = next(c for c in curves if c.reference)
    inside = np.abs(ramp.x) < 1e3 / 120
    np.testing.assert_allclose(np.diff(ramp.y[inside]) / np.diff(ramp.x[inside]), 60 / 1e3, rtol=1e-9)
    assert (ramp.y.min(), ramp.y.max()) == (0.0, 1.0)


def test_strobed_light_and_empty_records_have_no_profile():
    strobed = Context(condition=CONTEXT.condition, ripple=Ripple("strobe", 60.0, 1.0, 0.1))
    empty = Transition(0, 255, np.empty((0, 0)), 0.0, 1e-5)
    assert MovingEdgeEstimator().curves(exponential(), strobed, MovingEdgeParameters()) == []
    assert MovingEdgeEstimator().curves(empty, CONTEXT, MovingEdgeParameters()) == []


def test_flicker_curves_show_the_modulation_that_is_there():
    """A sine of 10 % about its mean reads 1.1 and 0.9 over a cycle, and 10 % at its frequency in the spectrum."""
    t = 1e-4 * np.arange(10_000)
    light = np.tile(5.0 * (1 + 0.1 * np.sin(2 * np.pi * 120 * t)), (2, 1))
    curves = {c.picture: c for c in FlickerEstimator().curves(Steady(255, light, 1e-4), CONTEXT, FlickerParameters())}
    wave, spectrum = curves["flicker-waveform"], curves["flicker-spectrum"]
    assert (wave.y.max(), wave.y.min()) == (pytest.approx(1.1, abs=1e-3), pytest.approx(0.9, abs=1e-3))
    assert spectrum.x[np.argmax(spectrum.y)] == pytest.approx(120, abs=1)
    assert spectrum.y.max() == pytest.approx(10, rel=1e-3)


def test_a_narrow_line_is_not_lost_when_the_spectrum_is_thinned():
    t = 2e-5 * np.arange(100_000)
    light = (1 + 0.02 * np.sin(2 * np.pi * 3456.5 * t))[None, :]
    curves = FlickerEstimator().curves(Steady(255, light, 2e-5), CONTEXT, FlickerParameters())
    spectrum = next(c for c in curves if c.picture == "flicker-spectrum")
    assert len(spectrum.x) <= 600
    assert spectrum.y.max() == pytest.approx(2, rel=0.01)
