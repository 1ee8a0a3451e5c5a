"""Displays in order, with shared ranks where the difference is not shown.

Rule: displays are sorted by value. The best of them opens rank 1. Each next one shares the rank of the display that opened the
current rank, unless the difference between these two is real (`verdict.judge`); then it opens the next rank, which counts all
displays before it (1, 1, 3). A display known only as a bound shares a rank with the next one where the bound leaves open which
of them comes first; it is the next one then that others are compared with. A display without a number has no rank.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from greystep.daemon.catalogue.ranking import Standing
from greystep.schema.quantities import QUANTITIES

from .verdict import Verdict, judge
from .words import difference_in_words


@dataclass(frozen=True)
class Place:
    """One display in the ranking."""

    rank: int | None
    shared: bool
    """Whether another display has the same rank."""
    standing: Standing
    against_first: Verdict | None
    """Compared with the first display; None for itself."""
    words: str
    """The same in words; empty for the first."""


@dataclass(frozen=True)
class Comparison:
    """A ranking under one method."""

    method: str
    quantity: str
    places: tuple[Place, ...]
    mixed: tuple[str, ...] = ()
    """What is mixed, in words: conditions, fingerprints. Empty: all alike."""
    rule: str = (
        "Displays share a rank when |zeta| = |difference| / combined standard uncertainty against the display that opens the "
        "rank is not above 2 (or the Student factor for 95 % where there are few repeats)."
    )

    def rows(self) -> list[dict[str, Any]]:
        """A flat row a display, for tables; None instead of NaN."""
        return [_row(p) for p in self.places]


def rank(standings: Sequence[Standing], method: str, quantity: str, mixed: Sequence[str] = ()) -> Comparison:
    """Order figures of whole groups."""
    q = QUANTITIES.get(quantity)
    sign = -1.0 if q is not None and q.better == "high" else 1.0
    known = sorted((s for s in standings if math.isfinite(s.value)), key=lambda s: (sign * s.value, s.title, s.condition))
    others = [s for s in standings if not math.isfinite(s.value)]
    places: list[Place] = []
    opener: Standing | None = None
    current = 0
    for i, s in enumerate(known, 1):
        if opener is None or judge(opener, s).real:
            opener, current = s, i
        elif opener.bound:
            opener = s
        verdict = judge(known[0], s) if i > 1 else None
        words = difference_in_words(verdict, quantity) if verdict else ""
        places.append(Place(current, False, s, verdict, words))
    counts = [p.rank for p in places]
    places = [replace(p, shared=counts.count(p.rank) > 1) for p in places]
    places += [Place(None, False, s, None, s.reason or "not measurable") for s in others]
    return Comparison(method, quantity, tuple(places), tuple(mixed))


def _row(place: Place) -> dict[str, Any]:
    s, v = place.standing, place.against_first

    def number(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "rank": place.rank,
        "shared": place.shared,
        "dut": s.dut,
        "title": s.title,
        "condition": s.condition_title,
        "run": s.run,
        "value": number(s.value),
        "unit": s.unit,
        "expanded_uncertainty": number(s.expanded_uncertainty),
        "bound": s.bound,
        "zeta": number(v.zeta) if v else None,
        "relative": number(v.relative) if v else None,
        "relative_low": number(v.relative_low) if v else None,
        "relative_high": number(v.relative_high) if v else None,
        "words": place.words,
        "fingerprint": s.fingerprint,
        "flags": list(s.flags),
    }
