"""Combining standard uncertainties as the GUM says (JCGM 100:2008, 5.1, 5.2, G.4)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from .figure import Component


@dataclass(frozen=True)
class Combined:
    """Result of a budget."""

    u: float
    """Combined standard uncertainty."""
    dof: float
    """Effective degrees of freedom."""
    expanded: float
    """At the coverage asked for."""


def t_factor(dof: float, coverage: float = 0.95) -> float:
    """Two-sided Student factor (GUM table G.2).

    Args:
        dof: degrees of freedom >= 1; not truncated to whole numbers; infinity gives the normal factor.
        coverage: probability, such as 0.95.
    """
    from scipy.special import ndtri, stdtrit

    p = (1 + coverage) / 2
    return float(ndtri(p)) if math.isinf(dof) or dof > 1e7 else float(stdtrit(max(dof, 1.0), p))


def effective_dof(contributions: Iterable[tuple[float, float]]) -> float:
    """Welch-Satterthwaite (GUM G.2b) of (standard uncertainty, degrees of freedom) pairs."""
    pairs = list(contributions)
    total = sum(u * u for u, _ in pairs)
    below = sum(u**4 / dof for u, dof in pairs if math.isfinite(dof))
    return math.inf if below == 0 else total * total / below


def combine(budget: Sequence[Component], coverage: float = 0.95) -> Combined:
    """Combine a budget: components that share a cause add with their signs, then all add in squares.

    Returns NaN everywhere for an empty budget.
    """
    if not budget:
        return Combined(math.nan, math.nan, math.nan)
    sums: dict[str, float] = {}
    dofs: dict[str, float] = {}
    pairs: list[tuple[float, float]] = []
    for c in budget:
        if c.shared:
            sums[c.shared] = sums.get(c.shared, 0.0) + c.effect
            dofs[c.shared] = min(dofs.get(c.shared, math.inf), c.dof)
        else:
            pairs.append((abs(c.effect), c.dof))
    pairs += [(abs(total), dofs[name]) for name, total in sums.items()]
    u = math.sqrt(math.fsum(e * e for e, _ in pairs))
    dof = effective_dof(pairs) if u > 0 else math.inf
    return Combined(u, dof, t_factor(dof, coverage) * u)
