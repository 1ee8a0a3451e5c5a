"""Transition duration and settling duration (IEEE 181), and the limits below which they are bounds."""

from __future__ import annotations

import math
from dataclasses import replace

from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.uncertainty import combine

from .instant import Instant
from .outcome import refused
from .polynomial import Smear
from .reference import Reference
from .refusal import Refusal
from .response import model_uncertainty, sensor_duration
from .timing import Timing, timing_budget
from .transit import GAPS_NEAR, Transit

SENSOR_NEAR = 1.5
"""A duration below this many durations of the sensor's own is given as an upper bound."""
SAMPLES_NEAR = 3.0
"""A duration below this many sample intervals is given as an upper bound."""
FEW_SAMPLES = 20


def end_references(transit: Transit) -> tuple[Reference, Reference, Reference]:
    """Start level, near and far edge of the end band, by the method's fractions or band."""
    d, p = transit.domain, transit.parameters
    if p.band is not None:
        sign = math.copysign(1.0, d.step)
        scales = (d.start + sign * p.band, d.end - sign * p.band, d.end + sign * p.band)
    else:
        scales = (
            d.start + p.start_fraction * d.step,
            d.start + p.end_fraction * d.step,
            d.start + (2 - p.end_fraction) * d.step,
        )
    a, b, c = (transit.reference(x) for x in scales)
    return a, b, c


def transition_duration(transit: Transit) -> Figure:
    """From the start reference to the end reference (IEEE 181 transition duration)."""
    first, near, far = end_references(transit)
    start = transit.start_of(first)
    if isinstance(start, Refusal):
        return refused(transit, "transition_duration", "s", start)
    end = transit.end_of(near, far)
    if isinstance(end, Refusal):
        never = "not_settled" in end.flags
        return _unreached(transit, start, end) if never else refused(transit, "transition_duration", "s", end)
    figure = _duration(transit, "transition_duration", Timing(((1.0, end), (-1.0, start))), start, end)
    flags = set(figure.flags)
    leaves = _leaves_band(transit, near, far, end)
    if leaves:
        flags.add("overshoot_past_band")
    # The far edge lies beyond the curve for every step to its end; that matters only where the light gets there.
    far_matters = leaves and transit.parameters.end_rule == "settled"
    if transit.domain.name == "code" and (first.outside or near.outside or (far.outside and far_matters)):
        flags.add("outside_curve")
    return replace(figure, flags=flags_of(tuple(flags)))


def _leaves_band(transit: Transit, near: Reference, far: Reference, end: Instant) -> bool:
    """Whether the trace, once in the end band, leaves it again by more than noise explains."""
    first = min(len(transit.scaled) - 1, math.ceil(end.position) + 1)
    width = max(1, min(len(transit.scaled) - first, int(max(1.0, transit.middle.width / 8))))
    margin = 4.5 * transit.scaled_noise / math.sqrt(width) + 1e-4
    crossed = transit.scaled.leaves(near.ratio - margin, far.ratio + margin, first, width)
    return crossed or end.crossing.slope * transit.rest.step < 0


def _unreached(transit: Transit, start: Instant, refusal: Refusal) -> Figure:
    """At least until the end of the record."""
    value = (transit.observation.samples - 1 - start.position) * transit.observation.interval_s
    figure = refused(transit, "transition_duration", "s", refusal)
    return replace(figure, value=value, bound=">=")


def _duration(transit: Transit, quantity: str, timing: Timing, start: Instant, end: Instant) -> Figure:
    """A duration with its budget, or a bound where sensor, sampling, or an unsettled record allow no more."""
    o, s = transit.observation, transit.subject
    value = timing.samples * o.interval_s
    budget = [*timing_budget(timing, o, transit.rest, transit.context, s.quantum, transit.ripple)]
    budget += _sensor_model(transit, timing)
    flags = set(transit.flags)
    if timing.samples < FEW_SAMPLES:
        flags.add("few_samples")
    if any(i.slack or i.at_least for _, i in timing.terms):
        flags.add("noisy")
    if end.crossing.sensor_shift or start.crossing.sensor_shift:
        flags.add("assumed_shape") if abs(
            end.crossing.sensor_shift - start.crossing.sensor_shift
        ) > 0.05 * timing.samples else None
    figure = Figure(
        quantity,
        value,
        "s",
        s.from_level,
        s.to_level,
        tuple(budget),
        flags=flags_of(tuple(flags)),
        repeats=o.repeats,
        detail=_detail(transit, start, end),
    )
    return _bounded(transit, figure, timing)


def _sensor_model(transit: Transit, timing: Timing) -> list[Component]:
    """What the assumption of equal poles may cost: nothing to speak of unless the sensor is slow."""
    sensor, dt = transit.context.sensor, transit.observation.interval_s
    if sensor.bandwidth_hz is None or not transit.smear.poles:
        return []
    corrected = timing.samples * dt
    measured = corrected - sum(w * i.crossing.sensor_shift for w, i in timing.terms) * dt
    own = sensor_duration(sensor.bandwidth_hz, sensor.poles)
    u = model_uncertainty(measured, corrected, own)
    return [Component("shape of the sensor's response", u)] if u > 1e-5 * abs(corrected) else []


def _bounded(transit: Transit, figure: Figure, timing: Timing) -> Figure:
    dt = transit.observation.interval_s
    if not math.isfinite(figure.value) or timing.samples <= 0:
        return refused(transit, figure.quantity, "s", Refusal("start and end can't be told apart in the noise", ("noisy",)))
    if not transit.rest.settled:
        text = f"the light still moves at an end of the record: about {100 * transit.rest.missing:.2g} % of the step is missing"
        return replace(figure, bound=">=", reason=text, budget=())
    if any(i.at_least for _, i in timing.terms):
        text = "the end level lies within the noise of the trace: it is reached at this time or later"
        least = max(0.0, figure.value - combine(figure.budget).expanded)
        return replace(figure, value=least, bound=">=", reason=text, budget=())
    sensor = transit.context.sensor
    own = sensor_duration(sensor.bandwidth_hz, sensor.poles) if sensor.bandwidth_hz else 0.0
    near = max(SENSOR_NEAR * own, SAMPLES_NEAR * dt, transit.subject.smoothing_s, GAPS_NEAR * transit.subject.gap_s)
    if figure.value >= near:
        return figure
    causes = {
        SENSOR_NEAR * own: "the sensor's own response",
        SAMPLES_NEAR * dt: "the sample interval",
        transit.subject.smoothing_s: "the period of the backlight's ripple",
        GAPS_NEAR * transit.subject.gap_s: "the dark part of the backlight's period",
    }
    what = causes[near]
    # Two samples may lie anywhere on an edge that passes between them.
    top = max(figure.value, 0.0) + combine(figure.budget).expanded + dt
    return replace(
        figure,
        value=max(top, _as_recorded(transit, figure.quantity)),
        bound="<=",
        budget=(),
        reason=f"as short as {what}: given as an upper bound",
        flags=flags_of(figure.flags, ("below_sensor",)),
    )


def _as_recorded(transit: Transit, quantity: str) -> float:
    """The same duration without taking the sensor out: it bounds the true one from above, whatever the sensor's real shape."""
    p = transit.parameters
    if p.sensor == "keep" or not transit.smear.poles:
        return 0.0
    blurred = replace(
        transit, parameters=p.model_copy(update={"sensor": "keep"}), smear=Smear(window=transit.smear.window), found={}
    )
    figure = (transition_duration if quantity == "transition_duration" else settling_duration)(blurred)
    return figure.value if figure.measurable else 0.0


def _detail(transit: Transit, start: Instant, end: Instant) -> dict[str, float]:
    return {
        "start_s": transit.seconds(start.position),
        "end_s": transit.seconds(end.position),
        "start_reference": start.reference.light,
        "end_reference": end.reference.light,
        "start_level": transit.rest.start,
        "end_level": transit.rest.end,
        "start_scale": start.reference.scale,
        "end_scale": end.reference.scale,
        "pre_end_s": transit.seconds(transit.rest.pre),
        "post_start_s": transit.seconds(transit.rest.post),
        "start_fit_s": start.half * transit.observation.interval_s,
        "end_fit_s": end.half * transit.observation.interval_s,
        "repeat_spread_s": transit.observation.spread_s,
    }


def settling_duration(transit: Transit) -> Figure:
    """From the 50 % instant to the last entry into the band around the end level (IEEE 181 settling duration)."""
    d, p = transit.domain, transit.parameters
    width = math.copysign(p.band, d.step) if p.band is not None else p.settling_tolerance * d.step
    middle = transit.middle_instant()
    if isinstance(middle, Refusal):
        return refused(transit, "settling_duration", "s", middle)
    end = transit.end_of(transit.reference(d.end - width), transit.reference(d.end + width), "settled")
    if isinstance(end, Refusal):
        return refused(transit, "settling_duration", "s", end)
    return _duration(transit, "settling_duration", Timing(((1.0, end), (-1.0, middle))), middle, end)
