"""Uncertainty of the edge times: what each cause does to them, found by moving the cause and looking."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from greystep.schema.figure import Component
from greystep.schema.trace import Array, Context, Transition

from ..transition.jackknife import standard_error
from .edge import MovingEdge, moving_edge, smoothed_again
from .ends import StepEnds
from .gaussian import GET_PER_SIGMA

SENSOR_PRODUCT = 0.35
"""10-90 % duration times -3 dB bandwidth of one to five poles: 0.350 to 0.341."""


@dataclass(frozen=True)
class Effect:
    """What one cause does to the blur edge time and to the Gaussian edge time, in s."""

    name: str
    on_bet_s: float
    on_get_s: float
    kind: Literal["A", "B"] = "B"
    dof: float = math.inf
    shared: str = ""
    distribution: str = "normal"

    def components(self, factor: float = 1.0) -> tuple[Component, Component]:
        """Budget lines for the two durations, times a factor."""
        return tuple(  # type: ignore[return-value]
            Component(self.name, e * factor, self.dof, self.kind, self.shared, self.distribution)
            for e in (self.on_bet_s, self.on_get_s)
        )


@dataclass(frozen=True)
class Durations:
    """Blur edge time and Gaussian edge time of one profile, in s."""

    bet_s: float
    get_s: float

    def __sub__(self, other: Durations) -> Durations:
        return Durations(self.bet_s - other.bet_s, self.get_s - other.get_s)


def durations_of(edge: MovingEdge, profile: Array) -> Durations:
    """Both durations of one normalised profile."""
    bet = edge.times_of(profile).duration_s
    start = bet / 2.5 if np.isfinite(bet) and bet > 0 else float(edge.times_s[-1]) / 10
    return Durations(bet, float(edge.gaussian(profile[None, :], start)[0]))


def repeat_scatter(edge: MovingEdge, ends: StepEnds, interval_s: float, period_s: float, whole: Durations) -> Effect:
    """Type A: jackknife over the repeats, s^2 = (n - 1)/n sum (x_(i) - mean)^2 with n - 1 degrees of freedom.

    With one repeat the noise of the samples is all there is: standard deviation of the profile, noise sqrt(dt/T)/step, over its
    slope at the two reference levels.
    """
    n = len(edge.profiles)
    if n > 1:
        left_out = edge.without_each()
        bets = np.array([edge.times_of(p).duration_s for p in left_out])
        gets = edge.gaussian(left_out, whole.get_s / GET_PER_SIGMA if math.isfinite(whole.get_s) else whole.bet_s / 2.5)
        bet, get = standard_error(bets), standard_error(gets)
        return Effect("scatter over repeats", bet, get, "A", n - 1, distribution="t")
    profile = edge.normalised()
    found = edge.times_of(profile)
    slope = np.gradient(profile, edge.times_s)
    at = np.maximum(np.abs(np.interp([found.low_s, found.high_s], edge.times_s, slope)), 1e-3 / period_s)
    sigma = ends.noise * math.sqrt(interval_s / period_s) / abs(ends.amplitude)
    u = float(sigma * np.hypot(1 / at[0], 1 / at[1]))
    return Effect("noise of the one repeat", u, u, "A", max(1.0, ends.window_after_s / interval_s - 1))


def level_effects(edge: MovingEdge, ends: StepEnds, whole: Durations) -> list[Effect]:
    """Quantisation of the levels, and what the light may still do after the record (half the range of a rectangular one)."""
    single = len(edge.profiles) == 1
    u_end_noise = ends.u_after if single else 0.0
    u_start = ends.u_before if single else 0.0
    u_settle = max(abs(ends.remaining) - ends.u_remaining, 0.0) / math.sqrt(3.0)
    u_end = math.hypot(u_end_noise, u_settle)
    out = []
    for name, low, high in (("start level", u_start, 0.0), ("end level", 0.0, u_end)):
        if low or high:
            moved = durations_of(edge, edge.normalised(low, high)) - whole
            out.append(Effect(name, moved.bet_s, moved.get_s, distribution="rectangular"))
    return out


def frame_effect(edge: MovingEdge, period_s: float, rel_u: float, whole: Durations) -> Effect:
    """The refresh period as stated: both durations with it moved by one part in a hundred, scaled to its uncertainty."""
    other = edge.reframed(1.01 * period_s)
    moved = durations_of(other, other.normalised()) - whole
    scale = rel_u / 0.01
    return Effect("refresh rate as stated", moved.bet_s * scale, moved.get_s * scale, shared="refresh_rate")


def smoothing_bias(subject: Transition, ends: StepEnds, period_s: float, whole: Durations) -> Durations:
    """What the averaging of the preparation added, taken as what the same averaging adds once more."""
    if subject.smoothing_s <= subject.interval_s:
        return Durations(0.0, 0.0)
    again = moving_edge(smoothed_again(subject), ends, period_s)
    return durations_of(again, again.normalised()) - whole if again is not None else Durations(0.0, 0.0)


def sensor_duration_s(bandwidth_hz: float | None) -> float:
    """10-90 % duration of the sensor itself; 0 when its bandwidth is unknown."""
    return SENSOR_PRODUCT / bandwidth_hz if bandwidth_hz else 0.0


def broadening_s(duration_s: float, part_s: float) -> float:
    """sqrt(x^2 + p^2) - x: how far a part p can lengthen a duration x, as for Gaussian responses."""
    return math.hypot(duration_s, part_s) - duration_s


def all_effects(
    subject: Transition,
    ends: StepEnds,
    edge: MovingEdge,
    context: Context,
    refresh_rel_u: float,
    whole: Durations,
    bias: Durations,
) -> list[Effect]:
    """Every cause that is known to move the durations, Type A first."""
    period_s = 1.0 / context.condition.refresh_rate_hz
    value = whole - bias
    third = 1.0 / math.sqrt(3.0)
    out = [repeat_scatter(edge, ends, subject.interval_s, period_s, whole), *level_effects(edge, ends, whole)]
    out.append(frame_effect(edge, period_s, refresh_rel_u, whole))
    rel = context.timebase_rel_u
    out.append(Effect("time base", value.bet_s * rel, value.get_s * rel, shared="timebase"))
    sensor_s = sensor_duration_s(context.sensor.bandwidth_hz)
    if sensor_s:
        on_bet, on_get = (third * broadening_s(x, sensor_s) for x in (value.bet_s, value.get_s))
        out.append(Effect("sensor bandwidth", on_bet, on_get, shared="sensor", distribution="rectangular"))
    if bias.bet_s or bias.get_s:
        out.append(Effect("smoothing", bias.bet_s * third, bias.get_s * third, distribution="rectangular"))
    # Straight lines between samples lengthen the step by about one interval, which adds in squares to the frame.
    coarse = subject.interval_s**2 / (math.sqrt(12.0) * period_s)
    out.append(Effect("sampling", coarse, coarse, distribution="rectangular"))
    return out
