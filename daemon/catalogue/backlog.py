"""What is out of date. A group's coverage names the methods under which it is up to date; few rows tell for all."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from greystep.schema.capture import Kind

from .database import Database
from .entries import Filter
from .inputs import Inputs
from .listing import group_conditions

_KINDS: tuple[Kind, ...] = ("step", "steady", "trend", "power")


@dataclass(frozen=True)
class Missing:
    """How much of one method is missing or out of date."""

    method: str
    fingerprint: str
    groups: int
    """Groups that must be looked at."""
    captures: int
    """Captures of the kinds that the method reads, without an up-to-date result in these groups."""
    total: int
    """Captures of these kinds in all."""


def _coverages(db: Database) -> dict[int, frozenset[str]]:
    return {row: frozenset(json.loads(members)) for row, members in db.sql.execute("SELECT id, members FROM coverage")}


def missing(db: Database, wanted: Sequence[tuple[str, str, frozenset[Kind]]], f: Filter) -> list[Missing]:
    """How much is out of date, a line a method.

    Args:
        db: the catalogue.
        wanted: (method id, fingerprint, kinds that its estimator reads).
        f: only groups that match (display, run, condition).
    """
    covered = _coverages(db)
    where, values = group_conditions(f)
    joins = "JOIN run ON run.id = grp.run JOIN dut ON dut.id = grp.dut JOIN condition ON condition.id = grp.condition"
    sums = ", ".join(f"total(grp.{k})" for k in _KINDS)
    query = f"SELECT grp.coverage, count(*), {sums} FROM grp {joins if where else ''}{where} GROUP BY grp.coverage"
    rows = db.sql.execute(query, values).fetchall()
    out = []
    for name, fingerprint, kinds in wanted:
        key = f"{name}@{fingerprint}"
        lacking = [r for r in rows if key not in covered[r[0]]]
        count = sum(int(r[2 + _KINDS.index(k)]) for r in lacking for k in kinds)
        total = sum(int(r[2 + _KINDS.index(k)]) for r in rows for k in kinds)
        if count:
            count -= _already_there(db, [r[0] for r in lacking], name, fingerprint, where, values, joins)
        out.append(Missing(name, fingerprint, sum(r[1] for r in lacking), count, total))
    return out


def _already_there(
    db: Database, coverages: list[int], name: str, fingerprint: str, where: str, values: list[object], joins: str
) -> int:
    """Captures with up-to-date results in groups that are not complete yet."""
    found = db.sql.execute("SELECT id FROM method WHERE name = ? AND fingerprint = ?", (name, fingerprint)).fetchone()
    if found is None or not db.sql.execute("SELECT 1 FROM result WHERE method = ? LIMIT 1", found).fetchone():
        return 0
    marks = ",".join("?" * len(coverages))
    query = f"""SELECT count(*) FROM grp {joins} JOIN result ON result.method = ? AND result.grp = grp.id
        JOIN capture ON capture.id = result.capture AND capture.reason IS NULL
        JOIN inputs ON inputs.id = result.inputs AND inputs.digest = iif(kind IN ('step', 'steady'), grp.light, ?)
        {where or " WHERE 1"} AND grp.coverage IN ({marks})"""
    return int(db.sql.execute(query, (found[0], Inputs().digest, *values, *coverages)).fetchone()[0])


def groups(db: Database, keys: frozenset[str], f: Filter, limit: int = -1) -> list[int]:
    """Rows of groups that lack one of these methods (`id@fingerprint`), newest capture first."""
    lacking = [row for row, members in _coverages(db).items() if not keys <= members]
    marks = ",".join("?" * len(lacking))
    where, values = group_conditions(f)
    joins = "JOIN run ON run.id = grp.run JOIN dut ON dut.id = grp.dut JOIN condition ON condition.id = grp.condition"
    query = f"""SELECT grp.id FROM grp {joins if where else ""}{where or " WHERE 1"}
        AND grp.coverage IN ({marks}) AND grp.captures > 0 ORDER BY grp.newest DESC LIMIT ?"""
    return [int(row[0]) for row in db.sql.execute(query, (*values, *lacking, limit))]
