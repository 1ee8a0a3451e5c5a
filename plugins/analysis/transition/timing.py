"""Durations and their budgets: a duration is a weighted sum of instants, and so is every contribution to its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from greystep.schema.figure import Component
from greystep.schema.trace import Context
from numpy.typing import NDArray

from .digitiser import undithered
from .instant import Instant
from .jackknife import standard_error
from .leftover import Left
from .observation import Observation
from .rest import Rest

Array = NDArray[np.float64]

SENSOR_REL_U = 0.15
"""Relative standard uncertainty of a stated bandwidth, and of the model of equal poles, as far as its inversion rests on it."""


@dataclass(frozen=True)
class Timing:
    """A weighted sum of instants."""

    terms: tuple[tuple[float, Instant], ...]
    """(weight, instant)"""

    @property
    def samples(self) -> float:
        """Its value, in samples."""
        return sum(w * i.position for w, i in self.terms)

    @property
    def replicates(self) -> Array:
        """[repeat] values with one repeat left out, in samples."""
        return np.asarray(sum(w * i.replicates for w, i in self.terms))


def timing_budget(
    timing: Timing, observation: Observation, rest: Rest, context: Context, quantum: float, ripple: Left
) -> list[Component]:
    """All contributions to the uncertainty of a duration, in s.

    Args:
        quantum: one code of the digitiser, in light.
        ripple: what is left of the ripple in the mean trace.
    """
    dt = observation.interval_s
    parts = [_scatter(timing, observation, rest)]
    start = sum(w * i.reference.d_start / i.crossing.slope for w, i in timing.terms)
    end = sum(w * i.reference.d_end / i.crossing.slope for w, i in timing.terms)
    parts.append(Component("start level", start * rest.u_start * dt, rest.dof[0], "B"))
    parts.append(Component("end level", end * rest.u_end * dt, rest.dof[1], "B"))
    parts += _curve(timing, dt)
    parts.append(Component("time base", context.timebase_rel_u * timing.samples * dt, shared="timebase"))
    parts.append(Component("sampling interval", _sampling(timing) * dt, distribution="rectangular"))
    parts.append(Component("quantisation", _quantisation(timing, quantum, rest.dither) * dt, distribution="rectangular"))
    parts.append(Component("shape within the fit", 0.6 * _root_sum(w * i.crossing.bias for w, i in timing.terms) * dt))
    parts.append(Component("level within the noise", _root_sum(w * i.slack for w, i in timing.terms) * dt))
    sensor = sum(w * i.crossing.sensor_shift for w, i in timing.terms)
    parts.append(Component("sensor bandwidth", SENSOR_REL_U * sensor * dt, shared="sensor"))
    window = sum(w * i.crossing.window_shift for w, i in timing.terms)
    parts.append(Component("smoothing window", window / math.sqrt(3) * dt, distribution="rectangular"))
    parts.append(Component("ripple residual", _ripple(timing, ripple, context, dt) * dt))
    return [p for p in parts if p.effect != 0.0]


def _root_sum(values: Iterable[float]) -> float:
    return math.sqrt(sum(v * v for v in values))


def _scatter(timing: Timing, observation: Observation, rest: Rest) -> Component:
    dt = observation.interval_s
    if observation.repeats > 1:
        u = standard_error(timing.replicates) * dt
        if math.isfinite(u):
            return Component("scatter of the repeats", u, observation.repeats - 1, "A", distribution="t")
    terms = timing.terms
    levels = [
        sum(w * i.reference.d_start / i.crossing.slope for w, i in terms) * observation.noise / math.sqrt(max(rest.pre, 1)),
        sum(w * i.reference.d_end / i.crossing.slope for w, i in terms)
        * observation.noise
        / math.sqrt(max(observation.samples - rest.post, 1)),
    ]
    u = _root_sum([*(w * i.crossing.u_noise for w, i in terms), *levels]) * dt
    dof = max(1.0, min(2.0 * i.half - 3 for _, i in terms))
    return Component("noise of the trace", u, dof, "A")


def _curve(timing: Timing, dt: float) -> list[Component]:
    effects: dict[str, float] = {}
    dofs: dict[str, float] = {}
    for weight, instant in timing.terms:
        for key, shift, dof in instant.reference.curve_effects:
            effects[key] = effects.get(key, 0.0) + weight * shift / instant.crossing.slope * dt
            dofs[key] = dof
    return [Component(f"curve at {k.partition(':')[2]}", e, dofs[k], "B", k) for k, e in effects.items()]


def _sampling(timing: Timing) -> float:
    """Interpolation between samples, in samples.

    Of two instants on a grid D/sqrt(6), less as more samples lie on the edge; where a fit is as narrow as the samples
    allow, its difference to a straight line between them, if larger.
    """
    span = max(abs(timing.samples), 1.0)
    return max(1 / math.sqrt(6) / span, _root_sum(w * i.crossing.grid for w, i in timing.terms) * 0.75)


def _quantisation(timing: Timing, quantum: float, noise: float) -> float:
    left = undithered(quantum, noise)
    if left == 0.0:
        return 0.0
    shares = []
    for weight, instant in timing.terms:
        slope = abs(instant.crossing.slope)
        codes = max(1.0, 2 * instant.half * slope / quantum)
        shares.append(weight * left / slope / math.sqrt(codes))
    return _root_sum(shares)


def _ripple(timing: Timing, left: Left, context: Context, interval_s: float) -> float:
    """What is left of the ripple, and the uncertainty of the waveform by which the trace was divided, at each crossing."""
    per_sample = context.ripple.frequency_hz * interval_s
    if per_sample <= 0:
        return 0.0
    shares = []
    for weight, instant in timing.terms:
        count = 2 * instant.half + 1
        passes = min(1.0, 1.5 / (math.pi * per_sample * count))
        # Points of the waveform are independent; a fit averages over those in its window.
        points = (
            0.0 if context.ripple.waveform is None else max(1.0, min(count * per_sample, 1.0) * len(context.ripple.waveform))
        )
        waveform = math.hypot(context.ripple.u_waveform / math.sqrt(points), left.phase) if points else 0.0
        template = abs(instant.reference.light) * waveform
        shares.append(weight * math.hypot(left.amplitude / math.sqrt(2) * passes, template) / instant.crossing.slope)
    return _root_sum(shares)
