"""The figures of one transition."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.uncertainty import combine

from .crossing import Smear
from .excursion import REAL, Place, place_at
from .instant import Instant
from .jackknife import leave_one_out, standard_error
from .reference import Reference
from .refusal import Refusal
from .response import model_uncertainty, sensor_duration
from .timing import Timing, timing_budget
from .transit import Transit

SENSOR_NEAR = 1.5
"""A duration below this many durations of the sensor's own is given as an upper bound."""
SAMPLES_NEAR = 3.0
"""A duration below this many sample intervals is given as an upper bound."""
GAPS_NEAR = 4.0
"""A duration below this many dark parts of the backlight's period is given as an upper bound."""
FEW_SAMPLES = 20


def refused(transit: Transit, quantity: str, unit: str, refusal: Refusal) -> Figure:
    """No figure, with the reason."""
    s = transit.subject
    return Figure(
        quantity,
        math.nan,
        unit,
        s.from_level,
        s.to_level,
        reason=refusal.reason,
        flags=flags_of(transit.flags, refusal.flags),
        repeats=transit.observation.repeats,
    )


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
        return _unreached(transit, start, end)
    figure = _duration(transit, "transition_duration", Timing(((1.0, end), (-1.0, start))), start, end)
    flags = set(figure.flags)
    if transit.domain.name == "code" and (
        first.outside or near.outside or (transit.parameters.end_rule == "settled" and far.outside)
    ):
        flags.add("outside_curve")
    if _leaves_band(transit, near, far, end):
        flags.add("overshoot_past_band")
    return replace(figure, flags=flags_of(tuple(flags)))


def _leaves_band(transit: Transit, near: Reference, far: Reference, end: Instant) -> bool:
    """Whether the trace, once in the end band, leaves it again by more than noise explains."""
    after = transit.scaled[min(len(transit.scaled) - 1, math.ceil(end.position) + 1) :]
    if not len(after):
        return False
    width = max(1, min(len(after), int(max(1.0, transit.middle.width / 8))))
    sums = np.cumsum(np.concatenate([[0.0], after]))
    means = (sums[width:] - sums[:-width]) / width
    margin = 4.5 * transit.scaled_noise / math.sqrt(width) + 1e-4
    crossed = bool((means > far.ratio + margin).any()) or bool((means < near.ratio - margin).any())
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
    budget = [*timing_budget(timing, o, transit.rest, transit.context, s.quantum, transit.ripple.amplitude)]
    budget += _sensor_model(transit, timing)
    flags = set(transit.flags)
    if timing.samples < FEW_SAMPLES:
        flags.add("few_samples")
    if end.sensor_shift or start.sensor_shift:
        flags.add("assumed_shape") if abs(end.sensor_shift - start.sensor_shift) > 0.05 * timing.samples else None
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
    measured = corrected - sum(w * i.sensor_shift for w, i in timing.terms) * dt
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
    top = max(figure.value, 0.0) + combine(figure.budget).expanded
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
    blurred = replace(transit, parameters=p.model_copy(update={"sensor": "keep"}), smear=Smear(window=transit.smear.window))
    figure = MAKERS[quantity][1](blurred)
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


def mean_lag(transit: Transit) -> Figure:
    """Area between the ideal step at the onset and the real one, divided by the step: the mean delay of the light."""
    begin = transit.onset
    if isinstance(begin, Refusal):
        return refused(transit, "mean_lag", "s", begin)
    o, rest = transit.observation, transit.rest
    first, last = rest.pre, rest.post
    rows = o.light[:, first:last].sum(axis=1)
    count = last - first
    lag = first - 0.5 + (count * rest.end - float(rows.mean())) / rest.step
    value = (lag - begin.timing.samples) * o.interval_s
    smear = transit.smear
    value -= smear.pole * smear.poles * o.interval_s if smear.poles else 0.0
    budget = [
        Component("extrapolation of the onset", begin.u_model * o.interval_s),
        _lag_scatter(transit, begin.timing, rows, count),
    ]
    per_end = (count - (lag - first + 0.5)) / rest.step
    per_start = (lag - first + 0.5) / rest.step
    budget.append(Component("start level", per_start * rest.u_start * o.interval_s, rest.dof[0]))
    budget.append(Component("end level", per_end * rest.u_end * o.interval_s, rest.dof[1]))
    budget.append(Component("time base", transit.context.timebase_rel_u * value, shared="timebase"))
    extra = timing_budget(begin.timing, o, rest, transit.context, transit.subject.quantum, transit.ripple.amplitude)
    names = {"scatter of the repeats", "noise of the trace", "time base", "start level", "end level"}
    budget += [c for c in extra if c.name not in names]
    return _plain(transit, "mean_lag", value, "s", [c for c in budget if c.effect])


def _lag_scatter(transit: Transit, begin: Timing, rows: np.ndarray, count: int) -> Component:
    o, rest = transit.observation, transit.rest
    if o.repeats < 2:
        u = o.noise * math.sqrt(count) / abs(rest.step)
        parts = [w * i.crossing.u_noise for w, i in begin.terms]
        return Component("noise of the trace", math.hypot(u, *parts) * o.interval_s, max(1.0, count - 1.0), "A")
    low, high = leave_one_out(rest.starts), leave_one_out(rest.ends)
    if rest.source != "trace":
        low, high = np.full_like(low, rest.start), np.full_like(high, rest.end)
    lags = (count * high - leave_one_out(rows)) / (high - low) - begin.replicates
    return Component("scatter of the repeats", standard_error(lags) * o.interval_s, o.repeats - 1, "A", distribution="t")


def _plain(transit: Transit, quantity: str, value: float, unit: str, budget: list[Component]) -> Figure:
    s = transit.subject
    figure = Figure(
        quantity,
        value,
        unit,
        s.from_level,
        s.to_level,
        tuple(budget),
        flags=transit.flags,
        repeats=transit.observation.repeats,
    )
    if not transit.rest.settled:
        text = f"the light still moves at an end of the record: about {100 * transit.rest.missing:.2g} % of the step is missing"
        return replace(figure, bound=">=" if unit == "s" else "", reason=text, budget=() if unit == "s" else tuple(budget))
    return figure


def completion(transit: Transit) -> Figure:
    """Part of the step, on the method's scale, reached one refresh period after the light began to change."""
    begin = transit.onset
    if isinstance(begin, Refusal):
        return refused(transit, "completion", "1", begin)
    o = transit.observation
    period = 1 / transit.context.condition.refresh_rate_hz / o.interval_s
    position = begin.timing.samples + period
    if position > o.samples - 4:
        return refused(
            transit, "completion", "1", Refusal("the record ends before one refresh period has passed", ("at_edge",))
        )
    place = place_at(o, position, transit.smear)
    slope = place.slope
    moved = place.replicates + slope * (begin.timing.replicates - begin.timing.samples) if o.repeats > 1 else place.replicates
    blur = math.hypot(*(w * i.crossing.u_noise for w, i in begin.timing.terms)) * abs(slope)
    figure = _share(transit, "completion", replace(place, replicates=moved, u_noise=math.hypot(place.u_noise, blur)), 0.0)
    model = Component("extrapolation of the onset", _per_light(transit, place.value) * slope * begin.u_model)
    return replace(figure, budget=(*figure.budget, model) if figure.budget and model.effect else figure.budget)


def _per_light(transit: Transit, light: float) -> float:
    """Slope of the part of the step on the method's scale by the light."""
    tiny = 1e-4 * transit.rest.step
    low, high = transit.domain.value(np.array([light, light + tiny]))
    return float((high - low) / tiny / transit.domain.step)


def _share(transit: Transit, quantity: str, place: Place, origin: float, sign: float = 1.0) -> Figure:
    """A light as a part of the step on the method's scale: (scale(light) - scale(start)) / step - origin, times sign."""
    rest, d = transit.rest, transit.domain
    step = rest.step

    def of(light: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
        """Light with the state levels of a replicate, brought to the nominal levels first: the scale follows the levels."""
        nominal = rest.start + (light - start) * step / (end - start)
        return sign * ((d.value(nominal) - d.start) / d.step - origin)

    one = np.ones(1)
    value = float(of(place.value * one, rest.start * one, rest.end * one)[0])
    tiny = 1e-4 * step
    per_light = float(of((place.value + tiny) * one, rest.start * one, rest.end * one)[0] - value) / tiny
    budget = []
    if transit.observation.repeats > 1:
        replicates = of(place.replicates, leave_one_out(rest.starts), leave_one_out(rest.ends))
        budget.append(
            Component(
                "scatter of the repeats", standard_error(replicates), transit.observation.repeats - 1, "A", distribution="t"
            )
        )
    else:
        budget.append(Component("noise of the trace", per_light * place.u_noise, 20.0, "A"))
    ratio = (place.value - rest.start) / step
    budget.append(Component("start level", -per_light * (1 - ratio) * rest.u_start, rest.dof[0]))
    budget.append(Component("end level", -per_light * ratio * rest.u_end, rest.dof[1]))
    budget.append(Component("ripple residual", per_light * transit.ripple.peak / math.sqrt(3), distribution="rectangular"))
    template = per_light * abs(place.value) * transit.context.ripple.u_waveform
    budget.append(Component("ripple waveform", template if "ripple" in transit.flags else 0.0))
    figure = _plain(transit, quantity, value, "1", [c for c in budget if c.effect])
    outside = d.name == "code" and not d.lowest - 0.5 <= float(d.value(place.value * one)[0]) <= d.highest + 0.5
    return replace(figure, flags=flags_of(figure.flags, ("outside_curve",) if outside else ()))


def _excursion(transit: Transit, quantity: str, place: Place | None, origin: float, sign: float) -> Figure:
    """An excursion as a part of the step; 0 with its uncertainty where noise explains it."""
    if place is None:
        return refused(transit, quantity, "1", Refusal("too few samples before or after the transition", ("few_samples",)))
    dark = max(GAPS_NEAR * transit.subject.gap_s, transit.subject.smoothing_s)
    if transit.middle.width * transit.observation.interval_s < dark:
        hidden_by = Refusal(
            "the transition is as short as the backlight's period: what lies beyond the levels can't be told",
            ("ripple_residual",),
        )
        return refused(transit, quantity, "1", hidden_by)
    figure = _share(transit, quantity, place, origin, sign)
    u = combine(figure.budget).u if figure.budget else 0.0
    seen = max(u, transit.scaled_noise * place.u_noise / max(transit.observation.noise, 1e-300))
    if figure.value <= REAL * seen:
        hidden = Component("smaller than the noise shows", max(figure.value, 0.0) / math.sqrt(3), distribution="rectangular")
        budget = figure.budget if figure.value <= 0 else (*figure.budget, hidden)
        figure = replace(figure, value=0.0, budget=budget)
    if "clipped" in figure.flags:
        return replace(figure, bound=">=", budget=(), reason="samples at the end of the digitiser's range hide the peak")
    return figure


def overshoot(transit: Transit) -> Figure:
    """Greatest excursion beyond the end level after the middle of the transition, as a part of the step."""
    return _excursion(transit, "overshoot", transit.peak, 1.0, 1.0)


def undershoot(transit: Transit) -> Figure:
    """Greatest excursion back below the end level after the overshoot; 0 without an overshoot."""
    above = overshoot(transit)
    peak = transit.peak
    if peak is None or above.value <= 0:
        return replace(above, quantity="undershoot", value=0.0 if above.measurable else math.nan)
    top = math.copysign(1.0, transit.rest.step)
    first = math.ceil(peak.position)
    place = transit.extreme(first, transit.observation.samples, -top)
    return _excursion(transit, "undershoot", place, 1.0, -1.0)


def preshoot(transit: Transit) -> Figure:
    """Greatest excursion against the step, before the transition (within three of its durations)."""
    top = math.copysign(1.0, transit.rest.step)
    last = math.floor(transit.middle.place)
    first = max(0, math.floor(last - 4 * transit.middle.width - 8))
    place = transit.extreme(first, last, -top)
    return _excursion(transit, "preshoot", place, 0.0, -1.0)


MAKERS: dict[str, tuple[str, Callable[[Transit], Figure]]] = {
    "transition_duration": ("s", transition_duration),
    "settling_duration": ("s", settling_duration),
    "overshoot": ("1", overshoot),
    "undershoot": ("1", undershoot),
    "preshoot": ("1", preshoot),
    "mean_lag": ("s", mean_lag),
    "completion": ("1", completion),
}
"""Quantity -> unit and how it is made."""
