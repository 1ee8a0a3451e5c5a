"""Weighted sums of figures, with what their uncertainties share.

Components with the same `shared` name are one cause: their signed effects add. Others are independent; those of one name are
merged into one line (root sum of squares, Welch-Satterthwaite degrees of freedom), so that a budget stays readable.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from greystep.schema.figure import Component, Figure
from greystep.schema.uncertainty import effective_dof


def weighted_budget(figures: Sequence[Figure], weights: Sequence[float]) -> tuple[Component, ...]:
    """Budget of sum(w_i x_i).

    Args:
        figures: each with its own budget.
        weights: the same length.
    """
    shared: dict[str, Component] = {}
    own: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for figure, weight in zip(figures, weights, strict=True):
        for c in figure.budget:
            effect = weight * c.effect
            if not c.shared:
                own.setdefault((c.name, c.kind), []).append((abs(effect), c.dof))
            elif c.shared in shared:
                before = shared[c.shared]
                total, dof = before.effect + effect, min(before.dof, c.dof)
                shared[c.shared] = Component(before.name, total, dof, before.kind, c.shared, before.distribution)
            else:
                shared[c.shared] = Component(c.name, effect, c.dof, c.kind, c.shared, c.distribution)
    merged = []
    for (name, kind), parts in own.items():
        u = math.sqrt(math.fsum(e * e for e, _ in parts))
        if u > 0:
            merged.append(Component(name, u, effective_dof(parts), "A" if kind == "A" else "B"))
    return (*merged, *(c for c in shared.values() if c.effect))
