"""Mean over the grey pairs, with an uncertainty that knows what the pairs share."""

from __future__ import annotations

import math
from collections.abc import Sequence

from greystep.schema.figure import Figure, flags_of

from ..matrix.combination import weighted_budget


def mean_of(figures: Sequence[Figure], quantity: str, mean_quantity: str) -> Figure | None:
    """Arithmetic mean of one quantity over all pairs; None when the quantity is not there at all.

    A mean that contains bounds is itself a bound; one from which unmeasurable pairs are missing says so.
    """
    found = [f for f in figures if f.quantity == quantity]
    if not found:
        return None
    usable = [f for f in found if f.measurable]
    unit = found[0].unit
    if not usable:
        return Figure(mean_quantity, math.nan, unit, reason=found[0].reason, flags=flags_of(*(f.flags for f in found)))
    kinds = {f.bound for f in usable} - {""}
    if len(kinds) > 1:
        reason = "upper and lower bounds together have no mean"
        return Figure(mean_quantity, math.nan, unit, reason=reason, flags=flags_of(*(f.flags for f in found)))
    lost = len(found) - len(usable)
    parts = [f"{lost} of {len(found)} pairs not measurable"] if lost else []
    bounds = sum(1 for f in usable if f.bound)
    parts += [f"{bounds} of {len(usable)} pairs are bounds"] if bounds else []
    return Figure(
        mean_quantity,
        math.fsum(f.value for f in usable) / len(usable),
        unit,
        budget=weighted_budget(usable, [1.0 / len(usable)] * len(usable)),
        bound=kinds.pop() if kinds else "",
        reason="; ".join(parts),
        flags=flags_of(*(f.flags for f in found), ("incomplete",) if lost else ()),
        repeats=sum(f.repeats for f in usable),
        detail={"pairs": float(len(usable)), "pairs_lost": float(lost)},
    )
