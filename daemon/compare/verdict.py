"""Whether two figures differ: the zeta score, and bounds where there is no interval.

    zeta = (x1 - x2) / sqrt(u1^2 + u2^2),   E_n = (x1 - x2) / sqrt(U1^2 + U2^2)

with standard uncertainties u and expanded ones U (k = 2); |zeta| <= 2 is the same statement as |E_n| <= 1.
Source: ISO 13528 scores as given by NIST Dataplot and Accred. Qual. Assur. 2005, doi 10.1007/s00769-005-0021-8.

A fixed factor of 2 says too much where the uncertainties rest on few repeats. The limit is therefore the Student factor for
95 % at the effective degrees of freedom of the difference (GUM G.4), and never less than 2. Causes that both figures share (one
digitiser, one meter) are not taken off, which makes the verdict careful: it may miss a small difference, not invent one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Protocol

from greystep.schema.uncertainty import effective_dof, t_factor

LIMIT: Final = 2.0


class Compared(Protocol):
    """What two figures need to be compared; `ranking.Standing` of the catalogue is one."""

    @property
    def value(self) -> float:
        """NaN when not measurable."""

    @property
    def u(self) -> float:
        """Combined standard uncertainty; NaN when there is none."""

    @property
    def dof(self) -> float:
        """Effective degrees of freedom."""

    @property
    def bound(self) -> str:
        """`<=`, `>=`, or empty."""


@dataclass(frozen=True)
class Verdict:
    """The difference second - first."""

    difference: float
    """In the figures' unit; NaN when one is not measurable."""
    zeta: float
    """NaN where a bound or a missing uncertainty allows no score."""
    limit: float
    """What |zeta| must exceed to be a real difference."""
    real: bool
    """Whether a difference is shown."""
    relative: float
    """difference / first."""
    relative_low: float
    """Ends of the 95 % interval of `relative`; NaN when there is none."""
    relative_high: float
    reason: str = ""
    """Why there is no score."""


def zeta_score(x1: float, u1: float, x2: float, u2: float, correlation: float = 0.0) -> float:
    """(x1 - x2) / sqrt(u1^2 + u2^2 - 2 r u1 u2); 0 for equal values, whatever their uncertainty."""
    if x1 == x2:
        return 0.0
    below = math.sqrt(max(0.0, u1 * u1 + u2 * u2 - 2 * correlation * u1 * u2))
    return math.copysign(math.inf, x1 - x2) if below == 0 else (x1 - x2) / below


def en_number(x1: float, U1: float, x2: float, U2: float, correlation: float = 0.0) -> float:
    """The same with expanded uncertainties."""
    return zeta_score(x1, U1, x2, U2, correlation)


def judge(first: Compared, second: Compared) -> Verdict:
    """Compare the second figure with the first."""
    nan = math.nan
    if not (math.isfinite(first.value) and math.isfinite(second.value)):
        return Verdict(nan, nan, LIMIT, False, nan, nan, nan, "not measurable")
    difference = second.value - first.value
    relative = difference / first.value if first.value else nan
    if first.bound or second.bound:
        return _with_bounds(first, second, difference, relative)
    if not (math.isfinite(first.u) and math.isfinite(second.u)):
        return Verdict(difference, nan, LIMIT, False, relative, nan, nan, "no uncertainty is known")
    zeta = zeta_score(second.value, second.u, first.value, first.u)
    dof = effective_dof([(c.u, c.dof) for c in (first, second) if c.u > 0]) if first.u or second.u else math.inf
    limit = max(LIMIT, t_factor(dof))
    low, high = _ratio_interval(first, second, limit)
    return Verdict(difference, zeta, limit, abs(zeta) > limit, relative, low, high)


def _ratio_interval(first: Compared, second: Compared, k: float) -> tuple[float, float]:
    """Interval of second/first - 1 by Fieller's theorem, which holds for wide denominators too; NaN when it is unbounded."""
    a, b, ua, ub = first.value, second.value, k * first.u, k * second.u
    below = a * a - ua * ua
    if below <= 0 or a == 0:
        return math.nan, math.nan
    root = math.sqrt(max(0.0, (a * b) ** 2 - below * (b * b - ub * ub)))
    ends = sorted(((a * b - root) / below - 1, (a * b + root) / below - 1))
    return ends[0], ends[1]


def _with_bounds(first: Compared, second: Compared, difference: float, relative: float) -> Verdict:
    """A bound parts two figures only when it lies on the far side of the other's whole interval."""
    nan = math.nan
    a, b = _interval(first), _interval(second)
    real = a[1] < b[0] or b[1] < a[0]
    low = b[0] / a[1] - 1 if a[1] > 0 and math.isfinite(a[1]) and math.isfinite(b[0]) else nan
    high = b[1] / a[0] - 1 if a[0] > 0 and math.isfinite(b[1]) else nan
    reason = "one of them is a bound, not a value"
    return Verdict(difference, nan, LIMIT, real, relative, low, high, reason)


def _interval(c: Compared) -> tuple[float, float]:
    if c.bound == "<=":
        return -math.inf, c.value
    if c.bound == ">=":
        return c.value, math.inf
    wide = t_factor(c.dof) * c.u if math.isfinite(c.u) else math.inf
    return c.value - wide, c.value + wide
