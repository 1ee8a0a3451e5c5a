"""Moving-edge temporal profile (METP): the light that an eye following the edge collects at each place of its retina."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from greystep.schema.trace import Array

Integral = Callable[[Array], Array]
"""[time] in s -> [time] integral of the light up to then."""


def running_integral(start_s: float, interval_s: float, light: Array, before: float, after: float) -> Integral:
    """Integral of a sampled trace from its start to any time, exact for the trace drawn with straight lines.

    Args:
        start_s: time of the first sample.
        interval_s: between samples.
        light: [sample].
        before: level that is taken to have held before the record.
        after: level that is taken to hold after it.

    Returns:
        function of [time] in s -> [time] integral in the light's unit times s.
    """
    y = np.asarray(light, dtype=np.float64)
    sums = np.concatenate(([0.0], np.cumsum((y[1:] + y[:-1]) * (0.5 * interval_s))))
    slopes = np.append(np.diff(y), 0.0) / interval_s
    last = len(y) - 1

    def integral(times_s: Array) -> Array:
        place = (np.asarray(times_s, dtype=np.float64) - start_s) / interval_s
        i = np.clip(np.floor(place), 0, last).astype(np.intp)
        rest = (np.clip(place, 0.0, last) - i) * interval_s
        inside = sums[i] + rest * (y[i] + 0.5 * slopes[i] * rest)
        return np.asarray(
            inside + np.minimum(place, 0.0) * interval_s * before + np.maximum(place - last, 0.0) * interval_s * after
        )

    return integral


def moving_edge_profile(integral: Integral, times_s: Array, period_s: float) -> Array:
    """m(t) = (1/T) integral from t - T to t of s(u) du, with the refresh period T.

    For a hold-type display s is the step response of the light. For strobed light s is the light itself, pulses included: the
    average over one frame then rises only while a pulse is on, so that an instant pixel lit for d T gives a ramp of d T.

    Args:
        integral: of s, as from `running_integral`.
        times_s: [time] where the profile is wanted.
        period_s: T.

    Returns:
        [time] in the unit of s.

    Source: A. B. Watson, JSID 18(2):179 (2010), "temporal step" method as described by Hallum and Cloherty, PLoS ONE
    16(3):e0248180 (2021): convolution with a rectangular pulse of one frame.
    """
    return (integral(times_s) - integral(times_s - period_s)) / period_s


def step_profile(times_s: Array, response: Array, period_s: float) -> Array:
    """Profile of an evenly sampled, normalised step response (0 before, 1 after) at its own times. For pictures and checks."""
    interval_s = float(times_s[1] - times_s[0])
    return moving_edge_profile(running_integral(float(times_s[0]), interval_s, response, 0.0, 1.0), times_s, period_s)
