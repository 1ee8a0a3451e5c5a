"""Moving edge under a strobed backlight: the persistence, and why the hold-type figures are refused."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.trace import Array, Context, Transition

from .budget import sensor_duration_s
from .persistence import persistence_s, time_above_middle

STROBE_REASON: Final = (
    "the backlight is strobed: the eye sees pulses, so that a hold-type edge time has no meaning; see the persistence"
)

STEADY_DUTY_REL_U = 0.05
"""Relative standard uncertainty of the duty where only the steady captures give it."""


def strobed_figures(
    subject: Transition, context: Context, period_s: float, speed_pixel_s: float, refresh_rel_u: float
) -> list[Figure]:
    """The persistence d T of the frames at the brighter level; the hold-type figures without a number."""
    flags = flags_of(subject.flags, ("strobed",))
    places, n = (subject.from_level, subject.to_level), len(subject.light)
    units = {"blur_edge_time": "s", "extended_blur_edge_time": "s", "gaussian_edge_time": "s", "blur_width": "pixel"}
    out = [Figure(q, math.nan, u, *places, reason=STROBE_REASON, flags=flags, repeats=n) for q, u in units.items()]
    return [*out, _persistence(subject, context, period_s, speed_pixel_s, refresh_rel_u, flags)]


def _persistence(
    subject: Transition, context: Context, period_s: float, speed_pixel_s: float, refresh_rel_u: float, flags: tuple[str, ...]
) -> Figure:
    """From the light before ripple removal; where no pulses are found in it, from the duty of the steady captures."""
    places = (subject.from_level, subject.to_level)
    duties = _duties(subject, context)
    found = duties[np.isfinite(duties)]
    if not len(found) and not 0.0 < context.ripple.duty < 1.0:
        reason = "no strobe pulses found in the record or in the steady captures"
        return Figure("persistence", math.nan, "s", *places, reason=reason, flags=flags, repeats=len(subject.light))
    duty = float(np.mean(found)) if len(found) else context.ripple.duty
    value = persistence_s(duty, period_s)
    lines = _budget(found, value, period_s, refresh_rel_u, subject, context)
    detail = {"duty": duty, "retinal_blur_pixel": speed_pixel_s * value, "frame_average_edge_s": 0.8 * value}
    if len(found) < 3:
        flags = flags_of(flags, ("few_repeats",))
    sensor_s = sensor_duration_s(context.sensor.bandwidth_hz)
    if value < 2.0 * sensor_s:
        reason = "the sensor's own response is more than half as long"
        flags = flags_of(flags, ("below_sensor",))
        return Figure("persistence", value, "s", *places, (), "<=", reason, flags, len(found), detail)
    return Figure("persistence", value, "s", *places, lines, flags=flags, repeats=len(found), detail=detail)


def _budget(
    found: Array, value: float, period_s: float, refresh_rel_u: float, subject: Transition, context: Context
) -> tuple[Component, ...]:
    n = len(found)
    lines = []
    if n > 1:
        scatter = float(np.std(found, ddof=1)) / math.sqrt(n) * period_s
        lines.append(Component("scatter over repeats", scatter, n - 1.0, "A", distribution="t"))
    if n == 0:
        lines.append(Component("duty from the steady captures", STEADY_DUTY_REL_U * value, shared="strobe_duty"))
    # Half of the mid-line crossings of a sensor that is slow to rise and to fall alike cancels; a tenth is left as a guess.
    lag_s = 0.1 * sensor_duration_s(context.sensor.bandwidth_hz) / math.sqrt(3.0)
    lines += [
        Component("sampling of the pulse edges", subject.interval_s / math.sqrt(6.0), distribution="triangular"),
        Component("time base", value * context.timebase_rel_u, shared="timebase"),
        Component("refresh rate as stated", value * refresh_rel_u, shared="refresh_rate"),
        Component("sensor bandwidth", lag_s, shared="sensor", distribution="rectangular"),
    ]
    return tuple(c for c in lines if c.effect)


def _duties(subject: Transition, context: Context) -> Array:
    """[usable repeat] part of the strobe period for which the light is on, at the brighter level of the transition."""
    light = subject.raw if subject.raw is not None else subject.light
    light = light[np.isfinite(light).all(axis=1)]
    frequency = context.ripple.frequency_hz
    if frequency <= 0 or not light.size:
        return np.full(len(light), np.nan)
    samples = light.shape[1]
    rising = subject.to_level > subject.from_level
    command = int(np.clip(-subject.start_s / subject.interval_s, 0, samples))
    part = light[:, samples - samples // 3 :] if rising else light[:, : command or samples // 10]
    period = 1.0 / (frequency * subject.interval_s)
    periods = int((part.shape[1] - 1) / period)
    if periods < 1 or period < 8:
        return np.full(len(light), np.nan)
    duties = time_above_middle(part, round(periods * period))
    swing = np.ptp(part, axis=1)
    return np.where(swing > 0.2 * np.max(light), duties, np.nan)
