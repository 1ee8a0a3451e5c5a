"""Differences in words: how much, which way, whether it is real."""

from __future__ import annotations

import math

from greystep.schema.quantities import QUANTITIES

from .verdict import Verdict

_TIMES = 3.0
"""From here on a factor says more than per cent."""


def difference_in_words(verdict: Verdict, quantity: str) -> str:
    """Such as "32 % slower, interval 25 to 40 %: a real difference", of the second display against the first."""
    if not math.isfinite(verdict.difference):
        return "can't be compared: not measurable"
    part = verdict.relative
    if not verdict.real:
        why = verdict.reason or "within the uncertainty"
        apart = f"{_percent(abs(part))} apart" if math.isfinite(part) else "apart"
        return f"{apart}, {why}: no difference shown"
    way = _way(quantity, verdict.difference)
    size = _percent(abs(part)) if math.isfinite(part) else ""
    if verdict.reason:
        least = [abs(x) for x in (verdict.relative_low, verdict.relative_high) if math.isfinite(x) and (x > 0) == (part > 0)]
        at_least = f"at least {_percent(min(least))} " if least else ""
        return f"{at_least}{way} ({verdict.reason}): a real difference"
    if part >= _TIMES - 1:
        low, middle, high = (_times(x, _known(verdict)) for x in (verdict.relative_low, part, verdict.relative_high))
        interval = f", interval {low} to {high}" if _known(verdict) and low != high else ""
        return f"{middle} times as {_adjective(quantity)}{interval}: a real difference"
    interval = ""
    if _known(verdict):
        low, high = (_percent(e) for e in sorted((abs(verdict.relative_low), abs(verdict.relative_high))))
        interval = f", interval {low.removesuffix(' %')} to {high}" if low != high else ""
    return f"{size} {way}{interval}: a real difference".strip()


def _known(verdict: Verdict) -> bool:
    return math.isfinite(verdict.relative_low) and math.isfinite(verdict.relative_high)


def _times(part: float, known: bool) -> str:
    return f"{1 + part:#.3g}".removesuffix(".") if known else f"{1 + part:.3g}"


def _adjective(quantity: str) -> str:
    q = QUANTITIES.get(quantity)
    return "long" if q is not None and q.unit == "s" else "high"


def _percent(part: float) -> str:
    value = 100 * part
    return f"{value:.0f} %" if value >= 10 else f"{value:.1f} %" if value >= 1 else f"{value:.2g} %"


def _way(quantity: str, difference: float) -> str:
    q = QUANTITIES.get(quantity)
    if q is not None and q.unit == "s" and q.better == "low":
        return "slower" if difference > 0 else "faster"
    return "higher" if difference > 0 else "lower"
