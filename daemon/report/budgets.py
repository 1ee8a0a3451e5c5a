"""Uncertainty budgets as tables: what each cause contributes, largest first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from greystep.schema.figure import Component

from .evidence import GroupEvidence, Stated
from .rounding import compact, figure_text, quantity_of, shown_unit
from .transitions import DURATION

_LEAST_SHARE: Final = 0.05
"""Of the variance, in %: a cause below it gets no line of its own."""


@dataclass(frozen=True)
class BudgetLine:
    """One cause."""

    name: str
    effect: str
    """Standard uncertainty that it contributes, on screen."""
    share: float
    """Of the variance, in %; negative shares can't be."""
    kind: str
    distribution: str
    dof: str


@dataclass(frozen=True)
class Budget:
    """The budget of one figure."""

    title: str
    result: str
    unit: str
    lines: tuple[BudgetLine, ...]
    u: str
    dof: str
    factor: str
    """Coverage factor."""


def budget_of(s: Stated, title: str) -> Budget | None:
    """The budget of a figure; None when it has none."""
    f = s.figure
    if not f.budget or not math.isfinite(s.u) or s.u <= 0:
        return None
    q = quantity_of(f.quantity, f.unit)
    total = math.fsum(c.effect**2 for c in f.budget) or 1.0
    ordered = sorted((c for c in f.budget if 100 * c.effect**2 / total >= _LEAST_SHARE), key=lambda c: -abs(c.effect))
    small = [c for c in f.budget if 100 * c.effect**2 / total < _LEAST_SHARE]
    lines = tuple(
        BudgetLine(
            c.name,
            _small(abs(c.effect) * q.display_factor),
            100 * c.effect**2 / total,
            c.kind,
            c.distribution,
            "∞" if math.isinf(c.dof) else f"{c.dof:.3g}",
        )
        for c in ordered
    )
    if small:
        lines += (_together(small, total, q.display_factor),)
    return Budget(
        title,
        figure_text(f.quantity, f.value, s.expanded, f.unit, f.bound),
        shown_unit(q),
        lines,
        _small(s.u * q.display_factor),
        "∞" if math.isinf(s.dof) or s.dof > 1e4 else f"{s.dof:.3g}",
        compact(s.expanded / s.u),
    )


def _together(small: Sequence[Component], total: float, factor: float) -> BudgetLine:
    """Causes that nobody would see, in one line."""
    squares = math.fsum(c.effect**2 for c in small)
    names = ", ".join(sorted(c.name for c in small))
    what = f"{len(small)} small causes together: {names}" if len(small) > 1 else names
    return BudgetLine(what, _small(math.sqrt(squares) * factor), 100 * squares / total, "", "", "")


def _small(value: float) -> str:
    return f"{Decimal(f'{value:.2g}'):f}" if value == 0 or abs(value) >= 1e-7 else f"{value:.1e}"


def make_budgets(group: GroupEvidence, house: str) -> list[Budget]:
    """Of the mean over the matrix, and of the slowest and fastest transition that have one."""
    out = []
    mean = group.whole(house, f"{DURATION}_mean")
    if mean is not None:
        out.append(budget_of(mean, f"{group.title}: mean over the matrix"))
    known = [s for _, s in group.each(house, DURATION) if s.figure.budget and math.isfinite(s.figure.value)]
    if known:
        slow, fast = max(known, key=lambda s: s.figure.value), min(known, key=lambda s: s.figure.value)
        for what, s in (("slowest", slow), ("fastest", fast)):
            step = f"{s.figure.from_level} to {s.figure.to_level}"
            out.append(budget_of(s, f"{group.title}: {what} transition, {step}"))
    return [b for b in out if b is not None]
