"""The moving-edge temporal profile for pictures, beside that of an instant pixel."""

from __future__ import annotations

import numpy as np
from greystep.schema.drawn import DrawnCurve
from greystep.schema.trace import Array, Context, Transition

from .agreement import rises
from .edge import moving_edge
from .ends import NoStep, find_ends

_POINTS = 300
PICTURE = "moving-edge-profile"
_AXES = ("time from the middle of the edge, ms", "light as a part of the step")


def profile_curves(subject: Transition, context: Context) -> list[DrawnCurve]:
    """Normalised profile of one transition (mean of the repeats) and the ramp of an instant pixel.

    Empty for a strobed backlight, and where no profile can be had.
    """
    if context.ripple.kind == "strobe" or not subject.light.size:
        return []
    period_s = 1.0 / context.condition.refresh_rate_hz
    ends = find_ends(subject.light, subject.start_s, subject.interval_s, rises(subject, context), period_s, subject.quantum)
    edge = None if isinstance(ends, NoStep) else moving_edge(subject, ends, period_s)
    if edge is None:
        return []
    times_s, profile = _worth_seeing(edge.times_s, edge.normalised(), period_s)
    name = f"{subject.from_level} to {subject.to_level}"
    title = "Moving-edge temporal profile"
    instant = np.clip(times_s / period_s + 0.5, 0.0, 1.0)
    return [
        DrawnCurve(PICTURE, title, name, 1e3 * times_s, profile, *_AXES),
        DrawnCurve(PICTURE, title, f"instant pixel, {1 / period_s:.4g} Hz", 1e3 * times_s, instant, *_AXES, reference=True),
    ]


def _worth_seeing(times_s: Array, profile: Array, period_s: float) -> tuple[Array, Array]:
    """The part in which the profile moves, with half as much around, on few points."""
    moving = np.flatnonzero((profile > 0.005) & (profile < 0.995))
    reach_s = max(period_s, 1.25 * float(np.max(np.abs(times_s[moving]), initial=0.0)))
    inside = np.abs(times_s) <= reach_s
    stride = max(1, int(np.count_nonzero(inside)) // _POINTS)
    return times_s[inside][::stride], profile[inside][::stride]
