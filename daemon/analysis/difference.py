"""What changed between two fingerprints: per display the means, the ranks, and the transitions that moved most. Plain data.

Both figures come from the same raw files. Causes that bear a name (time base, curve) are the same in both and their effects
are subtracted; all other components are added in squares, which is an upper limit, because the noise of one trace moves both
figures the same way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.catalogue.ranking import Standing
from greystep.schema.errors import CatalogueError
from greystep.schema.figure import Component
from greystep.schema.measurement import Measurement
from greystep.schema.quantities import QUANTITIES
from greystep.schema.uncertainty import combine

PREFERRED: Final = "transition_duration_mean"
_Place = tuple[str, str, str, int | None, int | None, str]
_Method = tuple[str, str, dict[str, Any]]
"""(id, whole fingerprint, definition)"""


@dataclass(frozen=True)
class Moved:
    """One figure of one transition, or of any capture, before and after."""

    from_level: int | None
    to_level: int | None
    quantity: str
    unit: str
    old: float
    new: float
    change: float
    expanded_uncertainty: float
    """Of the change, 95 %; NaN when there is none."""
    why: tuple[str, ...]
    """What else differs: flags gained (`+name`) and lost (`-name`), bounds and reasons."""


@dataclass(frozen=True)
class DisplayChange:
    """One display under one condition, before and after."""

    dut: str
    title: str
    condition: str
    condition_title: str
    run: str
    group: str
    quantity: str
    unit: str
    old: float
    new: float
    change: float
    expanded_uncertainty: float
    """Of the change, 95 %; NaN when there is none."""
    significant: bool
    """Whether the change is greater than its expanded uncertainty."""
    rank_before: int | None
    """Among the displays under the same condition; None without a number."""
    rank_after: int | None
    why: tuple[str, ...]
    moved: tuple[Moved, ...]
    """The transitions that moved most, greatest change first."""


@dataclass(frozen=True)
class Difference:
    """All displays that have figures under both fingerprints."""

    old: str
    """Whole fingerprint."""
    new: str
    old_method: str
    new_method: str
    parameters: tuple[tuple[str, Any, Any], ...]
    """What differs in the definitions: (dotted name, old, new)."""
    displays: tuple[DisplayChange, ...]
    """Greatest relative change first."""
    only_old: int
    """Groups with figures under the old one only."""
    only_new: int

    def rows(self) -> list[dict[str, Any]]:
        """A flat row for each display, then one for each of its transitions that moved most, which has levels. For tables; None
        instead of NaN."""
        out = []
        for d in self.displays:
            whole = {k: _plain(v) for k, v in asdict(replace(d, moved=())).items() if k != "moved"}
            out.append({"from_level": None, "to_level": None} | whole | {"why": "; ".join(d.why)})
            for m in d.moved:
                own = {k: _plain(v) for k, v in asdict(m).items()} | {"why": "; ".join(m.why)}
                own |= {"significant": abs(m.change) > m.expanded_uncertainty, "rank_before": None, "rank_after": None}
                out.append(whole | own)
        return out

    def as_json(self) -> dict[str, Any]:
        """Everything, nested, as JSON values."""
        made: dict[str, Any] = _plain(asdict(self))
        return made


def compare(
    catalogue: Catalogue, old: str, new: str, *, quantity: str = "", where: Filter | None = None, most: int = 5
) -> Difference:
    """Compare two fingerprints (whole, or their first digits).

    Args:
        catalogue: holds figures under both.
        old: fingerprint before.
        new: fingerprint after.
        quantity: figure of the whole group to compare; empty: the mean transition duration, or else the first that both have.
        where: displays, runs, conditions.
        most: transitions a display that are listed.

    Raises:
        CatalogueError: a fingerprint is unknown or ambiguous, or there is nothing that both have.
    """
    before, after = _pair(_methods(catalogue, old), _methods(catalogue, new))
    f = where or Filter()
    chosen = quantity or _quantity(catalogue, before, after)
    one = catalogue.ranking(before[0], chosen, replace(f, fingerprint=(before[1],)))
    two = catalogue.ranking(after[0], chosen, replace(f, fingerprint=(after[1],)))
    ranks_before, ranks_after = _ranks(one, chosen), _ranks(two, chosen)
    theirs = {(s.dut, s.condition, s.run, s.group): s for s in two}
    pairs = [(s, theirs[k]) for s in one if (k := (s.dut, s.condition, s.run, s.group)) in theirs]
    displays = [
        _display(catalogue, before, after, a, b, chosen, (ranks_before.get(_key(a)), ranks_after.get(_key(b))), most)
        for a, b in pairs
    ]
    displays.sort(key=lambda d: (-_relative(d), d.dut, d.condition))
    return Difference(
        before[1],
        after[1],
        before[0],
        after[0],
        tuple(_definition_changes(before[2], after[2])),
        tuple(displays),
        len(one) - len(pairs),
        len(two) - len(pairs),
    )


def _pair(before: list[_Method], after: list[_Method]) -> tuple[_Method, _Method]:
    """Those of one id where there are any: two methods that come to the same share a fingerprint."""
    for b in before:
        for a in after:
            if a[0] == b[0]:
                return b, a
    return before[0], after[0]


def _methods(catalogue: Catalogue, digits: str) -> list[_Method]:
    """The methods of a fingerprint, those with figures if any."""
    found = [m for m in catalogue.methods() if m.fingerprint.startswith(digits)]
    if len(digits) < 6 or len({m.fingerprint for m in found}) != 1:
        reason = "needs at least 6 digits" if len(digits) < 6 else "is unknown" if not found else "means several methods"
        raise CatalogueError(f"the fingerprint {digits!r} {reason}", todo="'greystep methods' lists them")
    used = [m for m in found if catalogue.ranked_quantities(m.id, m.fingerprint)]
    return [(m.id, m.fingerprint, dict(m.record)) for m in used or found]


def _quantity(catalogue: Catalogue, before: tuple[str, str, Any], after: tuple[str, str, Any]) -> str:
    names = [catalogue.ranked_quantities(m[0], m[1]) for m in (before, after)]
    both = [q for q in names[0] if q in names[1]]
    if not both:
        raise CatalogueError(
            f"no figure of whole groups stands under both {before[1][:12]} and {after[1][:12]}",
            todo=f"run 'greystep recompute --method {after[0]}' first",
        )
    return PREFERRED if PREFERRED in both else both[0]


def _key(s: Standing) -> tuple[str, str]:
    return s.dut, s.condition


def _ranks(standings: Sequence[Standing], quantity: str) -> dict[tuple[str, str], int]:
    """Rank from 1 among the displays under the same condition; equal values share a rank."""
    high = quantity in QUANTITIES and QUANTITIES[quantity].better == "high"
    out: dict[tuple[str, str], int] = {}
    by_condition: dict[str, list[Standing]] = {}
    for s in standings:
        if not math.isnan(s.value):
            by_condition.setdefault(s.condition, []).append(s)
    for items in by_condition.values():
        for s in items:
            out[_key(s)] = 1 + sum(o.value > s.value if high else o.value < s.value for o in items)
    return out


def _display(
    catalogue: Catalogue,
    before: tuple[str, str, Any],
    after: tuple[str, str, Any],
    a: Standing,
    b: Standing,
    quantity: str,
    ranks: tuple[int | None, int | None],
    most: int,
) -> DisplayChange:
    where = Filter(run=(a.run,), group=(a.group,))
    one = catalogue.results(replace(where, method=(before[0],), fingerprint=(before[1],)))
    two = catalogue.results(replace(where, method=(after[0],), fingerprint=(after[1],)))
    old = next(m for m in one if not m.capture and m.figure.quantity == quantity)
    new = next(m for m in two if not m.capture and m.figure.quantity == quantity)
    u = _change_uncertainty(catalogue, old, new)
    change = new.figure.value - old.figure.value
    return DisplayChange(
        a.dut,
        a.title,
        a.condition,
        a.condition_title,
        a.run,
        a.group,
        quantity,
        b.unit,
        old.figure.value,
        new.figure.value,
        change,
        u,
        abs(change) > u,
        *ranks,
        _why(old, new),
        tuple(_moved(catalogue, one, two, quantity, most)),
    )


def _moved(
    catalogue: Catalogue, one: Sequence[Measurement], two: Sequence[Measurement], quantity: str, most: int
) -> list[Moved]:
    """The figures of single captures that stand behind the group's figure, and moved most."""
    base = max((q for q in QUANTITIES if quantity == q or quantity.startswith(f"{q}_")), key=len, default="")
    base = base if any(m.figure.quantity == base and m.capture for m in one) else quantity.rsplit("_", 1)[0]
    old = {_place(m): m for m in one if m.capture and m.figure.quantity == base}
    both = [(old[p], m) for m in two if m.capture and (p := _place(m)) in old]
    both.sort(key=lambda pair: (-_size(pair[0], pair[1]), _place(pair[0])[2:5]))
    out = []
    for a, b in both[:most]:
        f, g = a.figure, b.figure
        u = _change_uncertainty(catalogue, a, b)
        out.append(Moved(g.from_level, g.to_level, base, g.unit, f.value, g.value, g.value - f.value, u, _why(a, b)))
    return out


def _size(a: Measurement, b: Measurement) -> float:
    """How far a figure moved; one that became measurable or stopped to be moved farthest."""
    change = b.figure.value - a.figure.value
    if not math.isnan(change):
        return abs(change)
    return math.inf if a.figure.measurable != b.figure.measurable else -1.0


def _place(m: Measurement) -> _Place:
    f = m.figure
    return m.run, m.group, m.capture, f.from_level, f.to_level, f.quantity


def _change_uncertainty(catalogue: Catalogue, old: Measurement, new: Measurement) -> float:
    """Expanded uncertainty of new - old; see the module."""
    if not (old.figure.measurable and new.figure.measurable):
        return math.nan
    minus = [replace(c, effect=-c.effect) for c in catalogue.budget(old)[0]]
    both: list[Component] = [*catalogue.budget(new)[0], *minus]
    return combine(both).expanded


def _why(old: Measurement, new: Measurement) -> tuple[str, ...]:
    a, b = old.figure, new.figure
    out = [f"+{f}" for f in b.flags if f not in a.flags] + [f"-{f}" for f in a.flags if f not in b.flags]
    if a.bound != b.bound:
        out.append(f"bound {a.bound or 'none'} -> {b.bound or 'none'}")
    if a.reason != b.reason:
        out.append(b.reason or f"no longer: {a.reason}")
    return tuple(out)


def _relative(d: DisplayChange) -> float:
    if math.isnan(d.change):
        return math.inf
    return abs(d.change / d.old) if d.old else abs(d.change)


def _definition_changes(old: dict[str, Any], new: dict[str, Any]) -> list[tuple[str, Any, Any]]:
    names = ("estimator", "estimator_version", "parameters", "preparer", "preparer_version", "preparation")
    a, b = _flat({n: old.get(n) for n in names}), _flat({n: new.get(n) for n in names})
    return [(k, a.get(k), b.get(k)) for k in sorted({*a, *b}) if a.get(k) != b.get(k)]


def _flat(value: Any, name: str = "") -> dict[str, Any]:
    if isinstance(value, dict):
        return {k: v for key, part in value.items() for k, v in _flat(part, f"{name}.{key}" if name else str(key)).items()}
    return {name: value}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
