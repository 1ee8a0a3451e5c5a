"""Moving edge under a strobed backlight: the persistence, and why the hold-type figures are refused."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.trace import Array, Context, Transition

from .persistence import persistence_s, time_above_middle

STROBE_REASON: Final = (
    "the backlight is strobed: the eye sees pulses, so that a hold-type edge time has no meaning; see the persistence"
)


def strobed_figures(subject: Transition, context: Context, period_s: float, speed_pixel_s: float) -> list[Figure]:
    """The persistence d T of the frames at the brighter level; the hold-type figures without a number.

    Measured on the light before ripple removal; where no pulses are found in it, d is that of the steady captures.
    """
    flags = flags_of(subject.flags, ("strobed",))
    places = (subject.from_level, subject.to_level)
    units = {"blur_edge_time": "s", "extended_blur_edge_time": "s", "gaussian_edge_time": "s", "blur_width": "pixel"}
    repeats = len(subject.light)
    out = [Figure(q, math.nan, u, *places, reason=STROBE_REASON, flags=flags, repeats=repeats) for q, u in units.items()]
    duties = _duties(subject, context)
    found = duties[np.isfinite(duties)]
    if len(found):
        duty = float(np.mean(found))
        scatter, dof = (
            (float(np.std(found, ddof=1) / math.sqrt(len(found))), len(found) - 1.0) if len(found) > 1 else (0.0, 1.0)
        )
        lines = [Component("scatter over repeats", scatter * period_s, dof, "A", distribution="t")] if len(found) > 1 else []
    elif 0.0 < context.ripple.duty < 1.0:
        duty, u = context.ripple.duty, 0.05 * context.ripple.duty
        lines = [Component("duty from the steady captures", u * period_s, shared="strobe_duty")]
    else:
        reason = "no strobe pulses found in the record or in the steady captures"
        return [*out, Figure("persistence", math.nan, "s", *places, reason=reason, flags=flags, repeats=repeats)]
    value = persistence_s(duty, period_s)
    sensor_s = 0.35 / context.sensor.bandwidth_hz if context.sensor.bandwidth_hz else 0.0
    lines += [
        Component("sampling of the pulse edges", subject.interval_s / math.sqrt(6.0), distribution="triangular"),
        Component("time base", value * context.timebase_rel_u, shared="timebase"),
        Component("refresh rate as stated", value * 2e-4, shared="refresh_rate"),
    ]
    if sensor_s:
        lines.append(
            Component("sensor bandwidth", 0.1 * sensor_s / math.sqrt(3.0), shared="sensor", distribution="rectangular")
        )
    near = bool(sensor_s) and value < 2.0 * sensor_s
    detail = {"duty": duty, "retinal_blur_pixel": speed_pixel_s * value, "frame_average_edge_s": 0.8 * value}
    if len(found) < 3:
        flags = flags_of(flags, ("few_repeats",))
    persistence = Figure(
        "persistence",
        value,
        "s",
        *places,
        budget=() if near else tuple(lines),
        bound="<=" if near else "",
        reason="the sensor's own response is more than half as long" if near else "",
        flags=flags_of(flags, ("below_sensor",)) if near else flags,
        repeats=len(found),
        detail=detail,
    )
    return [*out, persistence]


def _duties(subject: Transition, context: Context) -> Array:
    """[repeat] part of the strobe period for which the light is on, at the brighter level of the transition."""
    light = subject.raw if subject.raw is not None else subject.light
    frequency = context.ripple.frequency_hz
    if frequency <= 0:
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
