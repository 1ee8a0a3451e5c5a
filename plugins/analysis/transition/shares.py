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
from .reference import curve_effects
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
    there = replace(place, replicates=moved, u_noise=math.hypot(place.u_noise, blur))
    return _share(transit, "completion", there, 0.0, slack=slope * begin.u_model)


def _share(transit: Transit, quantity: str, place: Place, origin: float, sign: float = 1.0, slack: float = 0.0) -> Figure:
    """A light as a part of the step on the method's scale: (scale(light) - scale(start)) / step - origin, times sign.

    Args:
        slack: further standard uncertainty of the light, from the instant at which it was read.
    """
    rest, d = transit.rest, transit.domain
    step = rest.step
    tiny = 1e-4 * step
    many = transit.observation.repeats > 1
    # Each replicate is brought to the nominal state levels first: the scale follows the levels.
    starts, ends = leave_one_out(rest.starts) if many else np.empty(0), leave_one_out(rest.ends) if many else np.empty(0)
    nominal = rest.start + (place.replicates - starts) * step / (ends - starts)
    scale = d.value(np.concatenate([[place.value, place.value + tiny], nominal]))
    shares = sign * ((scale - d.start) / d.step - origin)
    value, per_light = float(shares[0]), float(shares[1] - shares[0]) / tiny
    if many:
        dof = transit.observation.repeats - 1
        scatter = Component("scatter of the repeats", standard_error(shares[2:]), dof, "A", distribution="t")
    else:
        scatter = Component("noise of the trace", per_light * place.u_noise, 20.0, "A")
    budget = [scatter, *_share_causes(transit, place, per_light), Component("extrapolation of the onset", per_light * slack)]
    for key, shift, dof_k in curve_effects(d, scale[:1], d.light(scale[:1]))[0]:
        budget.append(Component(f"curve at {key.partition(':')[2]}", -per_light * shift, dof_k, shared=key))
    figure = plain(transit, quantity, value, "1", [c for c in budget if c.effect])
    outside = d.name == "code" and not d.lowest - 0.5 <= float(scale[0]) <= d.highest + 0.5
    return replace(figure, flags=flags_of(figure.flags, ("outside_curve",) if outside else ()))


def _share_causes(transit: Transit, place: Place, per_light: float) -> list[Component]:
    """State levels and ripple, as they move the light at one place."""
    rest = transit.rest
    ratio = (place.value - rest.start) / rest.step
    parts = [
        Component("start level", -per_light * (1 - ratio) * rest.u_start, rest.dof[0]),
        Component("end level", -per_light * ratio * rest.u_end, rest.dof[1]),
        Component("ripple residual", per_light * transit.ripple.peak / math.sqrt(3), distribution="rectangular"),
    ]
    if "ripple" in transit.flags:
        template = abs(place.value) * math.hypot(transit.context.ripple.u_waveform, transit.ripple.phase)
        parts.append(Component("ripple waveform", per_light * template))
    return parts


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
    onset = transit.onset
    end = transit.middle.place if isinstance(onset, Refusal) else onset.timing.terms[0][1].position
    last = math.floor(end)
    first = max(0, math.floor(last - 4 * transit.middle.width - 8))
    place = transit.extreme(first, last, -top)
    return _excursion(transit, "preshoot", place, 0.0, -1.0)
