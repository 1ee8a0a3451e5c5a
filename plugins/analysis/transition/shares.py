"""Figures that are parts of the step: completion at one refresh, and what the excursions have in common with it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from greystep.schema.figure import Component, Figure, flags_of

from .excursion import Place, place_at
from .jackknife import leave_one_out, standard_error
from .outcome import plain, refused
from .reference import curve_effects
from .refusal import Refusal
from .transit import Transit


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
    return share(transit, "completion", there, 0.0, slack=slope * begin.u_model)


def share(transit: Transit, quantity: str, place: Place, origin: float, sign: float = 1.0, slack: float = 0.0) -> Figure:
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
    u = standard_error(shares[2:]) if many else math.nan
    if math.isfinite(u):
        scatter = Component("scatter of the repeats", u, transit.observation.repeats - 1, "A", distribution="t")
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
