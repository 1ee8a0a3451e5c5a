"""Does the panel keep up with its refresh rate?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from greystep.schema.figure import Bound, Component, Figure, flags_of
from greystep.schema.uncertainty import combine


def _limits(figure: Figure) -> tuple[float, float]:
    """Least and greatest value that the figure leaves possible, at 95 %."""
    if not figure.measurable:
        return 0.0, math.inf
    if figure.bound == "<=":
        return 0.0, figure.value
    if figure.bound == ">=":
        return figure.value, math.inf
    spread = combine(figure.budget).expanded if figure.budget else 0.0
    return figure.value - spread, figure.value + spread


def within_refresh(name: str, durations: Sequence[Figure], refresh_rate_hz: float) -> Figure:
    """Share of the transitions that end within one refresh period.

    A transition whose interval holds the period counts by its value; how the share would change with such ones is its
    uncertainty.
    """
    period = 1 / refresh_rate_hz
    known = [f for f in durations if f.measurable and not (f.bound == ">=" and f.value <= period)]
    if not known:
        return Figure(
            name, math.nan, "1", reason="no transition could be measured", flags=flags_of(*(f.flags for f in durations))
        )
    n = len(durations)
    sure = sum(1 for f in durations if _limits(f)[1] <= period)
    possible = sum(1 for f in durations if _limits(f)[0] <= period)
    value = sum(1 for f in known if f.value <= period) / n
    half = max(value - sure / n, possible / n - value)
    budget = (Component("transitions too near the refresh period to tell", half / math.sqrt(3), distribution="rectangular"),)
    missing = n - len(known)
    flags = flags_of(*(f.flags for f in durations), ("incomplete",) if missing else ())
    reason = f"{missing} of {n} could not be told and count as not within" if missing else ""
    detail = {"parts": float(len(known)), "of": float(n), "least": sure / n, "most": possible / n}
    return Figure(
        name, value, "1", budget=budget if half else (), reason=reason, flags=flags, repeats=_repeats(durations), detail=detail
    )


def _repeats(figures: Sequence[Figure]) -> int:
    return min((f.repeats for f in figures if f.measurable), default=0)


def supported_refresh_rate(name: str, durations: Sequence[Figure], share: float) -> Figure:
    """1 / the duration that a share of the transitions do not exceed.

    Args:
        share: such as 0.95; of 20 transitions 19 must be within the period.
    """
    n = len(durations)
    needed = max(1, math.ceil(share * n - 1e-9))
    # What is not known in full is taken as the slowest, so that the rate is never promised too high.
    ranked = sorted(durations, key=lambda f: f.value if f.measurable and f.bound != ">=" else math.inf)
    decisive = ranked[needed - 1]
    flags = flags_of(*(f.flags for f in durations))
    if not decisive.measurable or decisive.bound == ">=":
        slow = decisive.value if decisive.measurable else math.nan
        if math.isnan(slow):
            return Figure(name, math.nan, "Hz", reason="too many transitions could not be measured", flags=flags)
        rate = 1 / slow
        return Figure(
            name, rate, "Hz", bound="<=", reason="the decisive transition is known only as a lower bound", flags=flags
        )
    value = 1 / decisive.value
    bound: Bound = ">=" if decisive.bound == "<=" else ""
    budget = tuple(replace(c, effect=-c.effect * value**2) for c in decisive.budget)
    detail = {"from_level": float(decisive.from_level or 0), "to_level": float(decisive.to_level or 0), "needed": float(needed)}
    reason = "the decisive transition is known only as an upper bound" if bound else ""
    return Figure(
        name,
        value,
        "Hz",
        budget=budget,
        bound=bound,
        reason=reason,
        flags=flags,
        repeats=_repeats(durations),
        detail=detail,
    )
