"""Mean over the grey pairs, with an uncertainty that knows what the pairs share."""

from __future__ import annotations

import math
from collections.abc import Sequence

from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.uncertainty import effective_dof


def mean_budget(budgets: Sequence[Sequence[Component]]) -> tuple[Component, ...]:
    """Budget of the mean of n figures.

    Components with a `shared` cause add with their signs over all figures, then divide by n; a figure's own components of one
    name add in squares, then divide by n, with Welch-Satterthwaite degrees of freedom (GUM 5.1.2, 5.2.2, G.2b).
    """
    n = len(budgets)
    shared: dict[str, list[Component]] = {}
    own: dict[tuple[str, str], list[Component]] = {}
    for c in (c for budget in budgets for c in budget):
        if c.shared:
            shared.setdefault(c.shared, []).append(c)
        else:
            own.setdefault((c.name, c.kind), []).append(c)
    out = []
    for group in own.values():
        u = math.sqrt(math.fsum(c.effect**2 for c in group)) / n
        dof = effective_dof((abs(c.effect), c.dof) for c in group)
        out.append(Component(group[0].name, u, dof, group[0].kind, distribution=group[0].distribution))
    for cause, group in shared.items():
        effect = math.fsum(c.effect for c in group) / n
        dof = min(c.dof for c in group)
        out.append(Component(group[0].name, effect, dof, group[0].kind, cause, group[0].distribution))
    return tuple(out)


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
        budget=mean_budget([f.budget for f in usable]),
        bound=kinds.pop() if kinds else "",
        reason="; ".join(parts),
        flags=flags_of(*(f.flags for f in found), ("incomplete",) if lost else ()),
        repeats=sum(f.repeats for f in usable),
        detail={"pairs": float(len(usable)), "pairs_lost": float(lost)},
    )
