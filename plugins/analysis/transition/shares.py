"""Figures that are parts of the step: completion at one refresh, overshoot, undershoot, preshoot."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.uncertainty import combine

from .excursion import REAL, Place, place_at
from .jackknife import leave_one_out, standard_error
from .outcome import plain, refused
from .refusal import Refusal
from .transit import GAPS_NEAR, Transit


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
    figure = plain(transit, quantity, value, "1", [c for c in budget if c.effect])
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
