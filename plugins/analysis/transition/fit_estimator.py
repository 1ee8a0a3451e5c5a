"""The estimator `transition-fit`: the transition duration by a formula, where its chi-square accepts one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, cast

import numpy as np
from greystep.schema.capture import Kind
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.trace import Context, Subject, Transition
from greystep.schema.uncertainty import combine
from pydantic import BaseModel

from ..matrix.summary import matrix_figures
from .digitiser import undithered
from .durations import end_references, transition_duration
from .fit import Chosen, choose, replicates
from .jackknife import standard_error
from .models import MODELS
from .outcome import refused
from .parameters import TransitionParameters
from .refusal import Refusal
from .transit import Transit, find_transit
from .words import explain_fit

SENSOR_SHARE = 0.1
"""The formula knows no sensor: its response must be shorter than this part of the duration."""


SILENT = 1e-12
"""Noise as a part of the step, below which there is none: rounding alone would refuse every formula."""
DISAGREE = 2.0
"""A formula that lies so many standard uncertainties of the difference from the crossings of the trace itself is refused."""


class TransitionFitParameters(TransitionParameters):
    """As those of the transition estimator; only durations between fixed levels can be had from a formula."""

    quantities: tuple[Literal["transition_duration"], ...] = ("transition_duration",)
    """Figures of each transition."""


class TransitionFitEstimator:
    """Duration between reference levels on the fitted edge: exponential, ramp, Gaussian, raised cosine, 2 to 4 poles,
    second order."""

    id = "transition-fit"
    version = 3
    title = "Transition between levels, by a fitted formula"
    kinds: frozenset[Kind] = frozenset({"step"})
    Parameters = TransitionFitParameters

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """The transition duration; none for other subjects."""
        if not isinstance(subject, Transition):
            return []
        p = cast(TransitionFitParameters, parameters)
        transit = find_transit(subject, context, p)
        if isinstance(transit, Refusal):
            flags = flags_of(subject.flags, transit.flags)
            levels = (subject.from_level, subject.to_level)
            return [Figure("transition_duration", math.nan, "s", *levels, reason=transit.reason, flags=flags)]
        return [_figure(transit)]

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """Figures of the whole matrix."""
        return matrix_figures(figures, context, cast(TransitionFitParameters, parameters))

    def explain(self, parameters: BaseModel) -> str:
        """The method in words."""
        return explain_fit(cast(TransitionFitParameters, parameters))


def _figure(transit: Transit) -> Figure:
    rough = transit.middle.width * 1.4
    rest = transit.rest
    if not rest.settled:
        return _none(transit, "the record has not come to rest: a formula would guess its end", "not_settled")
    if undithered(transit.subject.quantum, rest.dither) > transit.observation.noise:
        return _none(
            transit, "the steps of the digitiser stand out from the noise: a chi-square would take them for it", "noisy"
        )
    if transit.observation.noise <= SILENT * abs(rest.step):
        return _none(transit, "there is no noise in the trace by which a formula could be judged", "assumed_shape")
    chosen, chance = choose(transit.observation, rest.start, rest.end, transit.middle.place, rough)
    if chosen is None:
        return _none(transit, f"no formula fits: the best chance of residuals as large is {chance:.2g}", "assumed_shape")
    first, near, _ = end_references(transit)
    start, end = chosen.crossing(first.ratio), chosen.crossing(near.ratio)
    dt = transit.observation.interval_s
    value = (end - start) * dt
    if not 0 < value < math.inf:
        return _none(transit, "the formula that fits never passes both levels", "assumed_shape")
    bandwidth = transit.context.sensor.bandwidth_hz
    if bandwidth is not None and 0.35 / bandwidth > SENSOR_SHARE * value:
        return _none(transit, "the sensor's own response is too near for a formula that does not know it", "below_sensor")
    s, o = transit.subject, transit.observation
    budget = _budget(transit, chosen, first.ratio, near.ratio, value)
    apart, most = _apart(transit, value, budget)
    if apart > most:
        text = "the formula that fits best and the crossings of the trace itself disagree by more than their uncertainty"
        return _none(transit, text, "assumed_shape")
    budget.append(Component("distance to the crossings of the trace", apart))
    return Figure(
        "transition_duration",
        value,
        "s",
        s.from_level,
        s.to_level,
        tuple(c for c in budget if c.effect),
        flags=flags_of(transit.flags, ("assumed_shape",)),
        repeats=o.repeats,
        detail={
            "start_s": transit.seconds(start),
            "end_s": transit.seconds(end),
            "start_reference": first.light,
            "end_reference": near.light,
            "start_level": float(chosen.fitted.parameters[1]),
            "end_level": float(chosen.fitted.parameters[2]),
            "model": float(MODELS.index(chosen.model)),
            "chance": chosen.chance,
        },
    )


def _apart(transit: Transit, value: float, budget: list[Component]) -> tuple[float, float]:
    """Distance to the duration by the crossings alone, and its limit, in s.

    In much noise a chi-square lets wrong formulas pass: at 20 dB one was 2.5 % short, at five times its other uncertainty. So
    what the two ways differ by is a standard uncertainty of the figure.
    """
    crossings = transition_duration(transit)
    if not crossings.measurable or crossings.bound:
        return 0.0, math.inf
    return abs(value - crossings.value), DISAGREE * math.hypot(combine(budget).u, combine(crossings.budget).u)


def _none(transit: Transit, reason: str, flag: str) -> Figure:
    return refused(transit, "transition_duration", "s", Refusal(reason, (flag,)))


def _quantisation(transit: Transit, chosen: Chosen, low: float, high: float) -> float:
    """What undithered steps of the digitiser do to the two instants, in samples: the error of a level there by the slope of the
    formula, less as the fit goes over more codes (those within a fiftieth of the step at least)."""
    quantum, step = transit.subject.quantum, abs(transit.rest.step)
    left = undithered(quantum, transit.rest.dither) / step
    if left == 0:
        return 0.0
    slopes = []
    for ratio in (low, high):
        near = 0.5 * min(0.04, ratio, 1 - ratio)
        slopes.append((chosen.crossing(ratio + near) - chosen.crossing(ratio - near)) / (2 * near))
    return left * math.hypot(*slopes) / math.sqrt(max(1.0, 0.02 * step / quantum))


def _budget(transit: Transit, chosen: Chosen, low: float, high: float, value: float) -> list[Component]:
    """Scatter of the repeats, time base, quantisation, sensor."""
    o, dt = transit.observation, transit.observation.interval_s

    def duration(p: np.ndarray) -> float:
        return chosen.crossing(high, p) - chosen.crossing(low, p)

    parts = []
    if o.repeats > 1:
        others = np.array([duration(p) for p in replicates(chosen, o)])
        parts.append(Component("scatter of the repeats", standard_error(others) * dt, o.repeats - 1, "A", distribution="t"))
    else:
        steps = np.diag(0.1 * chosen.fitted.deviations)
        slope = np.array([(duration(chosen.fitted.parameters + h) - value / dt) / h.sum() for h in steps])
        u = math.sqrt(float(slope @ chosen.fitted.covariance @ slope)) * dt
        parts.append(Component("noise of the trace", u, float(chosen.fitted.dof), "A"))
    spread = [
        chosen.unit * (m.first_passage(f.parameters[3:], high) - m.first_passage(f.parameters[3:], low)) * dt - value
        for m, f in chosen.others
    ]
    widest = max((abs(x) for x in spread), default=0.0)
    parts.append(Component("choice of the formula", widest / math.sqrt(3), distribution="rectangular"))
    bandwidth = transit.context.sensor.bandwidth_hz
    own = 0.35 / bandwidth if bandwidth is not None else 0.0
    parts.append(Component("time base", transit.context.timebase_rel_u * value, shared="timebase"))
    parts.append(Component("sensor bandwidth", own * own / (2 * value), distribution="rectangular"))
    settling = transit.rest.u_end / abs(transit.rest.step)
    parts.append(Component("settling of the levels", settling * value, distribution="rectangular"))
    parts.append(Component("quantisation", _quantisation(transit, chosen, low, high) * dt, distribution="rectangular"))
    return parts
