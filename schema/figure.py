"""A figure: one number as an estimator gives it, with the budget of its uncertainty or the reason why there is none."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

Bound = Literal["", "<=", ">="]


@dataclass(frozen=True)
class Component:
    """One line of an uncertainty budget (GUM 4, 5.1)."""

    name: str
    """What causes it, in words."""
    effect: float
    """Signed contribution to the figure, c_i * u(x_i), in the figure's unit. The sign matters where causes are shared."""
    dof: float = math.inf
    """Degrees of freedom."""
    kind: Literal["A", "B"] = "B"
    """A: from repeated observations; B: from other knowledge."""
    shared: str = ""
    """Name of a cause common to several figures (`timebase`, `curve:128`); equal names are fully correlated. Empty: own."""
    distribution: str = "normal"
    """normal, rectangular, triangular, u-shaped, t."""


@dataclass(frozen=True)
class Figure:
    """One figure. A figure that can't be given has `value` NaN and a `reason`; a bound has `bound` set."""

    quantity: str
    """Name as listed in `quantities.QUANTITIES`."""
    value: float
    """In `unit`; NaN when not measurable."""
    unit: str
    """UDUNITS string; SI inside."""
    from_level: int | None = None
    """Start level; None where it means nothing."""
    to_level: int | None = None
    """End level, or the held level."""
    budget: tuple[Component, ...] = ()
    """Uncertainty components; empty only for counts and bounds."""
    bound: Bound = ""
    """`<=`: at most `value`; `>=`: at least `value`."""
    reason: str = ""
    """Why it is a bound or not measurable, in words."""
    flags: tuple[str, ...] = ()
    """Sorted names of `flags.FIGURE_FLAGS`."""
    repeats: int = 0
    """Observations that went in."""
    detail: Mapping[str, float] = field(default_factory=dict)
    """Numbers for drawing and checking: start and end instants, reference levels, and so on."""

    @property
    def measurable(self) -> bool:
        """Whether there is a number."""
        return not math.isnan(self.value)


def flags_of(*groups: Sequence[str]) -> tuple[str, ...]:
    """Sorted union of flags."""
    return tuple(sorted({f for g in groups for f in g}))
