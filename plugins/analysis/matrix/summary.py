"""Mean, median, best, worst and subsets over the from-to matrix."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Protocol

from greystep.schema.figure import Bound, Component, Figure, flags_of
from greystep.schema.trace import Context

from .combination import weighted_budget
from .keep_up import supported_refresh_rate, within_refresh

HIDDEN = "hidden excursions"
"""Name of the cause that excursions below the noise share within a matrix."""


class Wanted(Protocol):
    """What the summary needs to know of a method."""

    matrix: Any
    darkest: int
    share: float


def matrix_figures(figures: Sequence[Figure], context: Context, wanted: Wanted) -> list[Figure]:
    """The figures that the method asks for; none when there is no figure of any transition.

    Args:
        figures: of the transitions of one group.
        context: tells whether the group is complete, and the refresh rate.
        wanted: the method's parameters.
    """
    durations = [f for f in figures if f.quantity == "transition_duration"]
    overshoots = [f for f in figures if f.quantity == "overshoot"]
    completions = [f for f in figures if f.quantity == "completion"]
    levels = sorted({f.from_level for f in durations if f.from_level is not None})
    dark = set(levels[: wanted.darkest])
    subsets: dict[str, tuple[str, list[Figure], Callable[[str, list[Figure]], Figure]]] = {
        "transition_duration_mean": ("s", durations, mean),
        "transition_duration_median": ("s", durations, median),
        "transition_duration_best": ("s", durations, best),
        "transition_duration_worst": ("s", durations, worst),
        "transition_duration_rising": ("s", [f for f in durations if _rising(f)], mean),
        "transition_duration_falling": ("s", [f for f in durations if not _rising(f)], mean),
        "transition_duration_darkest": ("s", [f for f in durations if f.from_level in dark or f.to_level in dark], mean),
        "overshoot_mean": ("1", overshoots, mean_excursion),
        "overshoot_worst": ("1", overshoots, worst),
        "completion_mean": ("1", completions, mean),
        "within_refresh": ("1", durations, lambda n, f: within_refresh(n, f, context.condition.refresh_rate_hz)),
        "supported_refresh_rate": ("Hz", durations, lambda n, f: supported_refresh_rate(n, f, wanted.share)),
    }
    out = []
    for name in wanted.matrix:
        unit, parts, make = subsets[name]
        if parts:
            figure = replace(make(name, parts), unit=unit)
            out.append(figure if context.complete else replace(figure, flags=flags_of(figure.flags, ("incomplete",))))
    return out


def _rising(figure: Figure) -> bool:
    return (figure.to_level or 0) > (figure.from_level or 0)


def mean(name: str, figures: Sequence[Figure]) -> Figure:
    """Mean over the figures; what can't be measured is no part of it, and is told."""
    usable = [f for f in figures if f.measurable]
    if not usable:
        return _none(name, figures)
    weights = [1 / len(usable)] * len(usable)
    value = math.fsum(f.value for f in usable) / len(usable)
    return _of_parts(name, value, figures, usable, weighted_budget(usable, weights))


def mean_excursion(name: str, figures: Sequence[Figure]) -> Figure:
    """Mean of figures that are never below 0, so that "at most X" among them says: X/2, and as far off as that at most.

    All of them may be off to the same side. Where there is nothing but bounds, or one from below, the mean is bounded as well.
    """
    bounded = [f for f in figures if f.measurable and f.bound == "<="]
    told = [f for f in figures if f.measurable and f.bound == ""]
    if not bounded or not told or any(f.bound == ">=" for f in figures):
        return mean(name, figures)

    def halved(f: Figure) -> Figure:
        half = f.value / 2
        cause = Component("excursions that are hidden by noise", half / math.sqrt(3), shared=HIDDEN, distribution="rectangular")
        return replace(f, value=half, bound="", budget=(cause,))

    figure = mean(name, [halved(f) if f.bound == "<=" else f for f in figures])
    seen = f"{len(bounded)} of {len(bounded) + len(told)} are known only as a bound and count half of it"
    # Nothing that another matrix shares: a difference to it must not cancel this.
    budget = tuple(replace(c, shared="") if c.shared == HIDDEN else c for c in figure.budget)
    return replace(figure, budget=budget, reason="; ".join(r for r in (figure.reason, seen) if r))


def median(name: str, figures: Sequence[Figure]) -> Figure:
    """Median; its uncertainty is that of the one or two figures in the middle."""
    usable = sorted((f for f in figures if f.measurable), key=lambda f: f.value)
    if not usable:
        return _none(name, figures)
    n = len(usable)
    middle = [usable[n // 2]] if n % 2 else [usable[n // 2 - 1], usable[n // 2]]
    weights = [1 / len(middle)] * len(middle)
    value = math.fsum(w * f.value for w, f in zip(weights, middle, strict=True))
    figure = _of_parts(name, value, figures, usable, weighted_budget(middle, weights))
    # A lower bound above the median stays above it, and an upper bound below it stays below.
    inside = [f for f in usable if (f.bound == ">=" and f.value <= value) or (f.bound == "<=" and f.value >= value)]
    return figure if inside else replace(figure, bound="", budget=weighted_budget(middle, weights))


def best(name: str, figures: Sequence[Figure]) -> Figure:
    """Smallest."""
    return _extreme(name, figures, min)


def worst(name: str, figures: Sequence[Figure]) -> Figure:
    """Largest."""
    return _extreme(name, figures, max)


def _extreme(name: str, figures: Sequence[Figure], pick: Callable[..., Figure]) -> Figure:
    usable = [f for f in figures if f.measurable]
    if not usable:
        return _none(name, figures)
    chosen = pick(usable, key=lambda f: f.value)
    # The one that was left out might be the extreme; a bound on any part on the far side bounds the extreme.
    figure = _of_parts(name, chosen.value, figures, [chosen], chosen.budget)
    side: Bound = ">=" if pick is max else "<="
    if chosen.bound == "" and any(f.bound == side for f in usable):
        return replace(figure, bound=side, budget=(), reason=f"a part of the matrix is known only as a bound ({side})")
    detail = {"from_level": float(chosen.from_level or 0), "to_level": float(chosen.to_level or 0)}
    return replace(figure, detail=detail)


def _none(name: str, figures: Sequence[Figure]) -> Figure:
    reason = next((f.reason for f in figures if f.reason), "no transition could be measured")
    return Figure(name, math.nan, "", reason=f"none of {len(figures)} could be measured: {reason}", flags=_flags(figures))


def _flags(figures: Sequence[Figure]) -> tuple[str, ...]:
    return flags_of(*(f.flags for f in figures))


def _of_parts(name: str, value: float, figures: Sequence[Figure], usable: Sequence[Figure], budget: tuple[Any, ...]) -> Figure:
    """A figure of several: bounded when its parts are, flagged as they are, incomplete when some are missing."""
    bounds = {f.bound for f in usable if f.bound}
    missing = sum(1 for f in figures if not f.measurable)
    flags = set(_flags(figures)) | ({"incomplete"} if missing else set())
    reasons = [f"{missing} of {len(figures)} could not be measured and were left out"] if missing else []
    bound: Bound = ""
    if len(bounds) == 1:
        bound = next(iter(bounds))
        count = sum(1 for f in usable if f.bound)
        words = f"{count} of {len(usable)} are known" if len(usable) > 1 else "this transition is known"
        reasons.append(f"{words} only as a bound ({bound})")
    elif bounds:
        below = sum(f.value for f in usable if f.bound == "<=") / len(usable)
        reasons.append(f"parts are known only as bounds, some from above (together {below:.3g}), some from below")
        return Figure(name, math.nan, "", reason="; ".join(reasons), flags=flags_of(tuple(flags)))
    detail = {"parts": float(len(usable)), "of": float(len(figures))}
    repeats = min((f.repeats for f in usable), default=0)
    kept = () if bound else budget
    return Figure(
        name,
        value,
        "",
        budget=kept,
        bound=bound,
        reason="; ".join(reasons),
        flags=flags_of(tuple(flags)),
        repeats=repeats,
        detail=detail,
    )
