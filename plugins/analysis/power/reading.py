"""Mean power of held and toggling levels, with what its readings and its meter leave open."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

import numpy as np
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.trace import Array, Series

METER = "power_meter"
"""Name of the cause that all readings of one meter share."""


def series_power(subject: Series, common_part: float) -> list[Figure]:
    """Mean power of each held level (to_level) and while toggling (no level), in W.

    u = s/sqrt(n) over the n readings, and the meter's specification u_m, of which r u_m is common to all readings of the
    meter in a run and sqrt(1 - r^2) u_m is not.

    Args:
        subject: power readings.
        common_part: r, 0 to 1.
    """
    groups: dict[tuple[bool, int | None], list[int]] = {}
    count = len(np.atleast_2d(subject.values))
    levels: Sequence[int | None] = subject.levels or (None,) * count
    toggling = subject.toggling or (False,) * count
    for i, (level, moving) in enumerate(zip(levels, toggling, strict=False)):
        groups.setdefault((moving, None if moving else level), []).append(i)
    out = []
    for (moving, level), rows in groups.items():
        readings = np.atleast_2d(subject.values)[rows].ravel()
        upper = max((v for v in (levels[i] for i in rows) if v is not None), default=None)
        out.append(mean_power(readings, subject, common_part, level, moving, upper))
    return out


def mean_power(
    readings: Array, subject: Series, common_part: float, level: int | None, moving: bool, upper: int | None
) -> Figure:
    """One mean; a reason where it has no meaning."""
    good = readings[np.isfinite(readings)]
    flags = flags_of(subject.flags, ("bad_samples",) if len(good) < len(readings) else ())
    if subject.unit != "W":
        reason = f"the readings are in {subject.unit}, not W"
        return Figure("power", math.nan, "W", None, level, reason=reason, flags=flags)
    if len(good) < 2:
        return Figure("power", math.nan, "W", None, level, reason=f"only {len(good)} readings", flags=flags, repeats=len(good))
    mean = float(np.mean(good))
    if mean <= 0:
        reason = "the mean power is not positive: meter not connected, or its leads swapped"
        return Figure("power", math.nan, "W", None, level, reason=reason, flags=flags, repeats=len(good))
    n = len(good)
    scatter = float(np.std(good, ddof=1))
    lines = [Component("scatter of the readings", scatter / math.sqrt(n), n - 1.0, "A", distribution="t")]
    lines.append(Component("resolution of the readings", resolution_w(good) / math.sqrt(12.0), distribution="rectangular"))
    if subject.reading_u:
        own = subject.reading_u * math.sqrt(1.0 - common_part**2)
        lines.append(Component("meter's specification, common", subject.reading_u * common_part, shared=METER))
        lines.append(Component("meter's specification, own", own))
    if n < 3:
        flags = flags_of(flags, ("few_repeats",))
    if drifts(good):
        flags = flags_of(flags, ("drifting",))
    detail = {"toggling": float(moving), "standard_deviation_w": scatter}
    if moving and upper is not None:
        detail["upper_level"] = float(upper)
    return Figure("power", mean, "W", None, level, tuple(lines), flags=flags, repeats=n, detail=detail)


def resolution_w(readings: Array) -> float:
    """Smallest step between different readings; the last decimal of equal ones. What the display of the meter can't tell."""
    steps = np.diff(np.unique(readings))
    if len(steps):
        return float(np.min(steps))
    exponent = Decimal(repr(float(readings[0]))).as_tuple().exponent
    return 10.0**exponent if isinstance(exponent, int) else 0.0


def drifts(readings: Array) -> bool:
    """Whether the two halves differ by more than four standard uncertainties of their difference and by 1 % of the mean."""
    half = len(readings) // 2
    if half < 3:
        return False
    a, b = readings[:half], readings[-half:]
    u = math.sqrt((float(np.var(a, ddof=1)) + float(np.var(b, ddof=1))) / half)
    gap = abs(float(np.mean(a) - np.mean(b)))
    return gap > 4.0 * u and gap > 0.01 * abs(float(np.mean(readings)))
