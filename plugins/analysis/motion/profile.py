"""Moving-edge temporal profile (METP): the light that an eye following the edge collects at each place of its retina."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Array


@dataclass(frozen=True)
class RunningIntegral:
    """Integral of a sampled trace from its start to any time, exact for the trace drawn with straight lines."""

    start_s: float
    """Time of the first sample."""
    interval_s: float
    """Between samples."""
    light: Array
    """[sample]"""
    sums: Array
    """[sample] integral up to each sample."""
    before: float
    """Level that is taken to have held before the record."""
    after: float
    """Level that is taken to hold after it."""

    def __call__(self, times_s: Array) -> Array:
        """[time] in s -> [time] integral in the light's unit times s."""
        return self.mean_before(times_s, 0.0, 0.0)

    def mean_before(self, times_s: Array, shift_s: float, period_s: float) -> Array:
        """[time] mean over the period before each time plus a shift; over no period the integral itself."""
        from ..kernels.motion import profile

        times, out = np.ascontiguousarray(times_s, np.float64), np.empty(len(times_s))
        known = (self.light, self.sums, self.start_s, self.interval_s, self.before, self.after)
        profile(*known, times, shift_s, period_s, out)
        return out


def running_integral(start_s: float, interval_s: float, light: Array, before: float, after: float) -> RunningIntegral:
    """The integral of a trace.

    Args:
        start_s: time of the first sample.
        interval_s: between samples.
        light: [sample].
        before: level that is taken to have held before the record.
        after: level that is taken to hold after it.
    """
    from ..kernels.motion import running_integral as sum_up

    y = np.ascontiguousarray(light, dtype=np.float64)
    sums = np.empty(len(y))
    sum_up(y, interval_s, sums)
    return RunningIntegral(start_s, interval_s, y, sums, float(before), float(after))


def moving_edge_profile(integral: RunningIntegral, times_s: Array, period_s: float, shift_s: float = 0.0) -> Array:
    """m(t) = (1/T) integral from t - T to t of s(u) du, with the refresh period T.

    For a hold-type display s is the step response of the light. For strobed light s is the light itself, pulses included: the
    average over one frame then rises only while a pulse is on, so that an instant pixel lit for d T gives a ramp of d T.

    Args:
        integral: of s.
        times_s: [time] where the profile is wanted.
        period_s: T.
        shift_s: is added to the times.

    Returns:
        [time] in the unit of s.

    Source: A. B. Watson, JSID 18(2):179 (2010), "temporal step" method as described by Hallum and Cloherty, PLoS ONE
    16(3):e0248180 (2021): convolution with a rectangular pulse of one frame.
    """
    return integral.mean_before(times_s, shift_s, period_s)


def step_profile(times_s: Array, response: Array, period_s: float) -> Array:
    """Profile of an evenly sampled, normalised step response (0 before, 1 after) at its own times. For pictures and checks."""
    interval_s = float(times_s[1] - times_s[0])
    return moving_edge_profile(running_integral(float(times_s[0]), interval_s, response, 0.0, 1.0), times_s, period_s)
