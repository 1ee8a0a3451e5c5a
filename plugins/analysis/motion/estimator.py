"""The estimator `moving-edge`: blur of a moving edge from the step response, per transition and over the grey pairs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, ClassVar

import numpy as np
from greystep.schema.capture import Kind
from greystep.schema.drawn import DrawnCurve
from greystep.schema.figure import Bound, Component, Figure, flags_of
from greystep.schema.model import Model
from greystep.schema.trace import Context, Subject, Transition
from pydantic import BaseModel, Field

from .agreement import levels_disagree, rises
from .budget import Durations, all_effects, durations_of, sensor_duration_s, smoothing_bias
from .curves import profile_curves
from .edge import MovingEdge, moving_edge
from .edge_time import EXTENSION, blur_width
from .ends import NoStep, StepEnds, ends_of
from .pairs import mean_of
from .strobed import STROBE_REASON, strobed_figures

HOLD_QUANTITIES = ("blur_edge_time", "extended_blur_edge_time", "gaussian_edge_time", "blur_width")


class MovingEdgeParameters(Model):
    """Parameters of the moving edge."""

    speed_pixel_s: Annotated[float, Field(gt=0, le=1e6)] = 960.0
    """Speed of the edge for the blur width, in pixel/s."""
    settled_tolerance: Annotated[float, Field(gt=0, lt=0.5)] = 0.005
    """The record has settled when the light will change by less than this part of the step after its end."""
    excursion_limit: Annotated[float, Field(gt=0, lt=0.5)] = 0.05
    """A profile that leaves 0 to 1 by more than this part is no Gaussian edge: its Gaussian edge time is flagged."""
    refresh_rel_u: Annotated[float, Field(ge=0, lt=0.1)] = 2e-4
    """Relative standard uncertainty of the refresh rate as stated (59.94 Hz called 60 Hz is 1e-3)."""


class MovingEdgeEstimator:
    """Blur edge time, extended blur edge time, Gaussian edge time and blur width of each transition; their means.

    m(t) = (1/T) integral from t - T to t of s(u) du    (T refresh period, s normalised step response of the light)
    BET = t90 - t10 of m;  EBET = BET / 0.8;  BEW = BET v;  GET = 2.563103 sigma of the least-squares fit of Phi((t - mu)/sigma)

    All durations in s, the width in pixel. Source: A. B. Watson, JSID 18(2):179 (2010).
    """

    id: ClassVar[str] = "moving-edge"
    version: ClassVar[int] = 2
    title: ClassVar[str] = "Moving edge from the step response"
    kinds: ClassVar[frozenset[Kind]] = frozenset({"step"})
    Parameters: ClassVar[type[BaseModel]] = MovingEdgeParameters

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """Figures of one transition; a bound or a reason where the record does not carry them."""
        assert isinstance(parameters, MovingEdgeParameters)
        if not isinstance(subject, Transition):
            return []
        period_s = 1.0 / context.condition.refresh_rate_hz
        if context.ripple.kind == "strobe":
            p = parameters
            return strobed_figures(subject, context, period_s, p.speed_pixel_s, p.refresh_rel_u)
        rising = rises(subject, context)
        ends = ends_of(subject, rising, period_s)
        if isinstance(ends, NoStep):
            return refused(subject, ends.reason, ends.flags, HOLD_QUANTITIES)
        edge = moving_edge(subject, ends, period_s)
        whole = durations_of(edge, edge.normalised()) if edge is not None else Durations(math.nan, math.nan)
        if edge is None or math.isnan(whole.bet_s):
            reason = "the moving-edge profile does not pass its 10, 50 and 90 % levels"
            return refused(subject, reason, (*ends.flags, "at_edge"), HOLD_QUANTITIES)
        return _figures(subject, context, parameters, ends, edge, whole)

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """Means over the grey pairs, the blur width at the mean, and the mean persistence of strobed light."""
        del context, parameters
        wanted = [(q, f"{q}_mean") for q in HOLD_QUANTITIES[:3]] + [
            ("blur_width", "blur_width"),
            ("persistence", "persistence"),
        ]
        found = (mean_of(figures, one, mean) for one, mean in wanted)
        return [f for f in found if f is not None]

    def curves(self, subject: Subject, context: Context, parameters: BaseModel) -> list[DrawnCurve]:
        """Profile of a transition for pictures."""
        del parameters
        return profile_curves(subject, context) if isinstance(subject, Transition) else []

    def explain(self, parameters: BaseModel) -> str:
        """The method in words with its formula."""
        assert isinstance(parameters, MovingEdgeParameters)
        p = parameters
        return (
            "The step response s(t) of the light, 0 before and 1 after, is averaged over one refresh period T: m(t) = "
            "(1/T) ∫ s(u) du from t − T to t. This is the moving-edge temporal profile, what an eye that follows the "
            "edge collects. Repeats are shifted to their own 50 % instants and averaged. Blur edge time BET = t(90 %) "
            "− t(10 %) of m, with the last 10 % instant before and the first 90 % instant after the 50 % instant. "
            "Extended blur edge time EBET = BET / 0.8. Gaussian edge time GET = 2.5631 σ of the least-squares fit of "
            "Φ((t − µ)/σ) to m, with the state levels fixed; it is flagged where m leaves 0 to 1 by more than "
            f"{100 * p.excursion_limit:g} %. Blur width = BET × {p.speed_pixel_s:g} pixel/s. An ideal hold-type "
            "display has BET = 0.8 T and GET = 0.8197 T. For a strobed backlight these figures are refused and the "
            "persistence d T is given. A record whose light will still change by more than "
            f"{100 * p.settled_tolerance:g} % of the step gives a bound. Means are over all ordered grey pairs. "
            "Uncertainty: jackknife over repeats, levels, refresh rate, time base, sensor bandwidth and smoothing. "
            "Source: A. B. Watson, JSID 18(2):179 (2010)."
        )


def refused(subject: Transition, reason: str, flags: Sequence[str], quantities: Sequence[str]) -> list[Figure]:
    """Figures without a number, each with the reason."""
    return [
        Figure(
            q,
            math.nan,
            "pixel" if q == "blur_width" else "s",
            subject.from_level,
            subject.to_level,
            reason=reason,
            flags=flags_of(subject.flags, flags),
            repeats=len(subject.light),
        )
        for q in quantities
    ]


def _figures(
    subject: Transition, context: Context, p: MovingEdgeParameters, ends: StepEnds, edge: MovingEdge, whole: Durations
) -> list[Figure]:
    period_s = 1.0 / context.condition.refresh_rate_hz
    bias = smoothing_bias(subject, ends, period_s, whole)
    value = whole - bias
    if not 0 < value.bet_s < math.inf:
        text = "the averaging of the preparation is so long that its part of the edge can't be told"
        return refused(subject, text, ("ripple_residual",), HOLD_QUANTITIES)
    effects = all_effects(subject, ends, edge, context, p.refresh_rel_u, whole, bias)
    sensor_s = sensor_duration_s(context.sensor.bandwidth_hz)
    bound, reason, flags = _verdict(subject, ends, edge, p, value, sensor_s)
    if levels_disagree(subject, ends, context):
        flags = flags_of(flags, ("levels_disagree",))
    bet, get = (tuple(e.components()[i] for e in effects) for i in (0, 1))
    detail = _detail(edge, ends, period_s, bias)
    odd = ("overshoot_past_band",) if detail["profile_excursion"] > p.excursion_limit else ()
    get_flags = flags_of(flags, odd)

    def figure(quantity: str, x: float, unit: str, budget: tuple[Component, ...], marks: tuple[str, ...]) -> Figure:
        kept = () if bound else budget
        return Figure(
            quantity, x, unit, subject.from_level, subject.to_level, kept, bound, reason, marks, len(edge.profiles), detail
        )

    v = p.speed_pixel_s
    out = [
        figure("blur_edge_time", value.bet_s, "s", bet, flags),
        figure("extended_blur_edge_time", value.bet_s / EXTENSION, "s", scaled(bet, 1 / EXTENSION), flags),
        figure("blur_width", blur_width(value.bet_s, v), "pixel", scaled(bet, v), flags),
    ]
    if not 0 < value.get_s < math.inf:
        return out + refused(subject, "no Gaussian edge fits the profile", get_flags, ("gaussian_edge_time",))
    return [*out, figure("gaussian_edge_time", value.get_s, "s", get, get_flags)]


def _detail(edge: MovingEdge, ends: StepEnds, period_s: float, bias: Durations) -> dict[str, float]:
    """Numbers for drawing and checking."""
    profile = edge.normalised()
    found = edge.times_of(profile)
    return {
        "before": float(np.mean(edge.before)),
        "after": float(np.mean(edge.after)),
        "remaining": ends.remaining,
        "t10_s": found.low_s,
        "t50_s": found.mid_s,
        "t90_s": found.high_s,
        "profile_excursion": max(float(np.max(profile)) - 1.0, -float(np.min(profile)), 0.0),
        "refresh_period_s": period_s,
        "smoothing_bias_s": bias.bet_s,
    }


def scaled(budget: Sequence[Component], factor: float) -> tuple[Component, ...]:
    """The budget of a figure times a factor without uncertainty."""
    return tuple(Component(c.name, c.effect * factor, c.dof, c.kind, c.shared, c.distribution) for c in budget)


def _verdict(
    subject: Transition, ends: StepEnds, edge: MovingEdge, p: MovingEdgeParameters, value: Durations, sensor_s: float
) -> tuple[Bound, str, tuple[str, ...]]:
    """Whether the figure is a bound and why, and its flags."""
    n = len(edge.profiles)
    flags = [*subject.flags, *ends.flags]
    if n < 3:
        flags.append("few_repeats")
    if value.bet_s / subject.interval_s < 20:
        flags.append("few_samples")
    profile = edge.normalised()
    found = edge.times_of(profile)
    inside = profile[(edge.times_s >= found.low_s) & (edge.times_s <= found.high_s)]
    noise = ends.noise * math.sqrt(subject.interval_s / subject.smoothing_s if subject.smoothing_s else 1.0 / n)
    if len(inside) and float(np.max(np.maximum.accumulate(inside) - inside)) > 0.01 + noise / abs(ends.amplitude) / 10:
        flags.append("not_monotone")
    left = ends.remaining / ends.amplitude
    if abs(left) > p.settled_tolerance and abs(ends.remaining) > 2.0 * ends.u_remaining:
        flags.append("not_settled")
        reason = f"the light had about {100 * abs(left):.2g} % of the step still to go when the record ended"
        return (">=" if left > 0 else "<="), reason, flags_of(flags)
    if sensor_s and value.bet_s < 2.0 * sensor_s:
        flags.append("below_sensor")
        return "<=", "the sensor's own response is more than half as long", flags_of(flags)
    return "", "", flags_of(flags)


__all__ = ["STROBE_REASON", "MovingEdgeEstimator", "MovingEdgeParameters"]
