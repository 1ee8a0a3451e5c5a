"""Direction and levels of a step against the steady captures."""

from __future__ import annotations

import math

from greystep.schema.trace import Context, Transition

from ..preparation.curve import level_light
from .ends import StepEnds

LEAST_PART = 2e-3
"""A difference below this part of the step is not worth a word."""
SURE = 3.0
"""Standard uncertainties."""


def rises(subject: Transition, context: Context) -> bool:
    """Whether the light should rise: by the measured curve where it knows both levels apart, else by the codes."""
    curve = context.curve
    if curve is not None and curve.source == "measured":
        start, end = level_light(curve, subject.from_level)[0], level_light(curve, subject.to_level)[0]
        if start != end:
            return end > start
    return subject.to_level > subject.from_level


def levels_disagree(subject: Transition, ends: StepEnds, context: Context) -> bool:
    """Whether a level of the trace differs from the steady capture of it by more than its uncertainty."""
    curve = context.curve
    if curve is None or curve.source != "measured" or curve.unit != subject.unit:
        return False
    for level, rows, u_row in (
        (subject.from_level, ends.before, ends.u_before),
        (subject.to_level, ends.after, math.hypot(ends.u_after, ends.remaining)),
    ):
        steady, u_steady, _ = level_light(curve, level)
        scatter = float(rows.std(ddof=1)) / math.sqrt(len(rows)) if len(rows) > 1 else 0.0
        gap = abs(float(rows.mean()) - steady)
        if gap > SURE * math.hypot(scatter, u_row, u_steady) and gap > LEAST_PART * abs(ends.amplitude):
            return True
    return False
