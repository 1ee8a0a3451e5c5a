"""The estimator `light-level`: mean light of each held level, with its uncertainty: the code-to-light curve as figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import cast

import numpy as np
from greystep.schema.capture import Kind
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.model import Model
from greystep.schema.trace import Context, Steady, Subject
from pydantic import BaseModel

from ..preparation.curve import steady_mean
from ..transition.digitiser import undithered
from ..transition.noise import noise_of


class LightLevelParameters(Model):
    """The level check has nothing to choose."""


class LightLevelEstimator:
    """Mean over whole periods of the backlight's ripple; in cd/m2 where the scale is known, else in volts above dark."""

    id = "light-level"
    version = 1
    title = "Light of held levels"
    kinds: frozenset[Kind] = frozenset({"steady"})
    Parameters = LightLevelParameters

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """`luminance` or `light_level` of one held level; none for other subjects."""
        if not isinstance(subject, Steady):
            return []
        cast(LightLevelParameters, parameters)
        quantity = "luminance" if subject.unit == "cd/m2" else "light_level"
        if not subject.light.size or not np.isfinite(subject.light).all():
            reason = "no usable segment: none had a trigger and whole numbers"
            flags = flags_of(subject.flags, ("bad_samples",))
            return [Figure(quantity, math.nan, subject.unit, to_level=subject.level, reason=reason, flags=flags)]
        period = 1 / context.ripple.frequency_hz if context.ripple.frequency_hz > 0 else 0.0
        value, u, dof = steady_mean(subject, period)
        budget = _budget(subject, context, value, u, dof)
        few = ("few_repeats",) if len(subject.light) < 3 else ()
        return [
            Figure(
                quantity,
                value,
                subject.unit,
                to_level=subject.level,
                budget=tuple(c for c in budget if c.effect or c is budget[0]),  # no scatter at all is told, too
                flags=flags_of(subject.flags, few),
                repeats=len(subject.light),
            )
        ]

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """Nothing: a mean over levels means nothing."""
        return []

    def explain(self, parameters: BaseModel) -> str:
        """The method in words."""
        return (
            "Mean light above the sensor's dark output while a level is held, over whole periods of the backlight's ripple.\n"
            "In cd/m2 by the sensor's responsivity or by the luminance meter that looked on, else in volts.\n"
            "Uncertainty: scatter of the segments (Student t), the digitiser's steps, dark output and responsivity."
        )


def _budget(subject: Steady, context: Context, value: float, u: float, dof: float) -> list[Component]:
    scale = context.luminance_scale if subject.unit == "cd/m2" and context.luminance_scale is not None else 1.0
    relative = float(context.others.get("luminance_scale_rel_u", 0.0)) if subject.unit == "cd/m2" else 0.0
    steps = undithered(subject.quantum, noise_of(subject.light[0]))
    return [
        Component("scatter of the segments", u, dof, "A", distribution="t"),
        Component("steps of the digitiser", steps, distribution="rectangular"),
        Component("dark output", scale * context.sensor.dark_u_v, shared="dark"),
        Component("responsivity", relative * value, shared="responsivity"),
    ]
