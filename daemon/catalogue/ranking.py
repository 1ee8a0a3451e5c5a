"""Figures of whole groups side by side: one line a display and condition, the latest run of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from .database import Database
from .entries import Filter
from .listing import group_conditions
from .record import BOUNDS, nan_if_none


@dataclass(frozen=True, slots=True)
class Standing:
    """One display under one condition."""

    dut: str
    title: str
    condition: str
    condition_title: str
    run: str
    group: str
    fingerprint: str
    value: float
    """NaN when there is no figure."""
    unit: str
    u: float
    dof: float
    expanded_uncertainty: float
    bound: str
    flags: tuple[str, ...]
    reason: str
    repeats: int


# First which groups count, from three narrow rows each; then everything about those few.
_CANDIDATES = """SELECT measurement.id, grp.dut, grp.condition, grp.newest
    FROM measurement JOIN result ON result.id = measurement.id / 65536 JOIN grp ON grp.id = result.grp
    WHERE measurement.rank IN ({ranks}) {more}"""
_DETAILS = """SELECT dut.name, dut.title, condition.key, condition.title, run.name, grp.name, result.method, value, unit,
    u, dof, expanded, bound, flags, reason, repeats
    FROM measurement JOIN result ON result.id = measurement.id / 65536 JOIN grp ON grp.id = result.grp
    JOIN run ON run.id = grp.run JOIN dut ON dut.id = grp.dut JOIN condition ON condition.id = grp.condition
    WHERE measurement.id IN ({ids})"""
_LOT = 500
"""Ids a query."""


def ranking(db: Database, method: str, quantity: str, f: Filter, *, all_runs: bool = False) -> list[Standing]:
    """Displays by value, those without a number last.

    Args:
        db: the catalogue.
        method: id of the method; its current view, or the fingerprint in `f`.
        quantity: of a figure of the whole group, such as `transition_duration_mean`.
        f: which displays, runs and conditions.
        all_runs: every run of a display instead of its latest one.
    """
    fingerprints = dict(db.sql.execute("SELECT id, fingerprint FROM method WHERE name = ?", (method,)).fetchall())
    if f.fingerprint:
        fingerprints = {row: p for row, p in fingerprints.items() if p.startswith(f.fingerprint)}
    word = db.find_word(quantity)
    ranks = _ranks(db, set(fingerprints), word, f)
    if not ranks:
        return []
    more = "" if f.fingerprint or not f.current else " AND result.latest = 1"
    groups, values = group_conditions(Filter(dut=f.dut, run=f.run, group=f.group))
    if groups:
        more += (
            f""" AND grp.id IN (SELECT grp.id FROM grp JOIN run ON run.id = grp.run JOIN dut ON dut.id = grp.dut {groups})"""
        )
    found = db.sql.execute(_CANDIDATES.format(ranks=",".join(map(str, ranks)), more=more), values).fetchall()
    if not all_runs:
        found.sort(key=lambda r: r[3])
        found = list({(r[1], r[2]): r for r in found}.values())
    ids = [str(r[0]) for r in found]
    lots = [",".join(ids[i : i + _LOT]) for i in range(0, len(ids), _LOT)]
    made = [_standing(db, r, fingerprints) for lot in lots for r in db.sql.execute(_DETAILS.format(ids=lot))]
    return sorted(made, key=lambda s: (s.value != s.value, s.value, s.dut, s.condition, s.run))


def _ranks(db: Database, methods: set[int], quantity: int | None, f: Filter) -> list[int]:
    parts = [
        ("condition.key", f.condition),
        ("condition.overdrive", f.overdrive),
        ("condition.refresh_rate_hz", f.refresh_rate_hz),
    ]
    where = "".join(f" AND {c} IN ({','.join('?' * len(v))})" for c, v in parts if v)
    found = db.sql.execute(
        f"SELECT rank.id, method FROM rank JOIN condition ON condition.id = rank.condition WHERE quantity = ?{where}",
        [quantity, *(x for _, v in parts for x in v)],
    )
    return sorted(row for row, method in found if method in methods)


def _standing(db: Database, row: tuple[Any, ...], fingerprints: dict[int, str]) -> Standing:
    dut, title, condition, condition_title, run, group, method, value, unit, u, dof, expanded, bound, flags, reason, n = row
    return Standing(
        dut=dut,
        title=title,
        condition=condition,
        condition_title=condition_title,
        run=run,
        group=group,
        fingerprint=fingerprints[method],
        value=nan_if_none(value),
        unit=db.text(unit),
        u=nan_if_none(u),
        dof=nan_if_none(dof),
        expanded_uncertainty=nan_if_none(expanded),
        bound=BOUNDS[bound],
        flags=tuple(db.text(flags).split()),
        reason=db.text(reason),
        repeats=n,
    )


def quantities(db: Database, method: str, fingerprint: str) -> list[str]:
    """Names of the figures of whole groups that stand under a fingerprint."""
    found = db.sql.execute(
        """SELECT DISTINCT text FROM rank JOIN method ON method.id = rank.method JOIN word ON word.id = rank.quantity
           WHERE method.name = ? AND fingerprint = ? ORDER BY text""",
        (method, fingerprint),
    )
    return [row[0] for row in found]
