"""Captures into the catalogue: idempotent, in batches, keeping the counts of their groups."""

from __future__ import annotations

from collections.abc import Iterable

from greystep.schema.capture import CaptureHeader, CaptureMeta
from greystep.schema.errors import CatalogueError

from .database import Database
from .inputs import Inputs

_INSERT = """INSERT INTO capture (ulid, grp, key, kind, from_level, to_level, segments, samples, size_bytes, steady_total,
    group_total, origin, started_utc, sha256, path) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)"""
_REFRESH = """UPDATE grp SET (captures, step, steady, trend, power, newest) = (
        SELECT count(*), total(kind = 'step'), total(kind = 'steady'), total(kind = 'trend'), total(kind = 'power'),
            coalesce(max(ulid), '') FROM capture WHERE grp = grp.id AND reason IS NULL),
    version = version + 1, coverage = 0 WHERE id = ?"""
# The start is that of the earliest capture, so that it doesn't depend on the order of arrival.
_REFRESH_RUN = """UPDATE run SET captures = (SELECT total(captures) FROM grp WHERE grp.run = run.id),
    started_utc = (SELECT min(capture.started_utc) FROM grp JOIN capture ON capture.grp = grp.id WHERE grp.run = run.id)
    WHERE id = ?"""


class Intake:
    """Adds captures within one transaction; keeps the rows it met."""

    def __init__(self, db: Database) -> None:
        self._db = db
        self._groups: dict[tuple[str, str], int] = {}

    def add(self, headers: Iterable[CaptureHeader]) -> tuple[set[int], int]:
        """Add those that are new. Returns the rows of the groups that changed, and how many captures were new.

        Raises:
            CatalogueError: two different files bear the same capture id.
        """
        added: set[tuple[int, str]] = set()
        new = 0
        for header in headers:
            group = self._add_one(header)
            if group is not None:
                new += 1
                added.add((group, header.meta.kind))
        touched = concerned(self._db, added)
        refresh(self._db, touched)
        return touched, new

    def _add_one(self, header: CaptureHeader) -> int | None:
        sql, meta = self._db.sql, header.meta
        digest = bytes.fromhex(header.sha256)
        known = sql.execute("SELECT id, sha256, path FROM capture WHERE ulid = ?", (meta.id,)).fetchone()
        if known:
            if known[1] != digest:
                what = f"two different files bear the capture id {meta.id}: {known[2]} and {header.path}"
                raise CatalogueError(what, where=header.path, todo="run 'greystep archive verify'")
            if known[2] != header.path:
                sql.execute("UPDATE capture SET path = ? WHERE id = ?", (header.path, known[0]))
            return None
        group = self._group(meta)
        plan = meta.planned
        values = (meta.id, group, meta.key, meta.kind, header.from_level, header.to_level, header.segments, header.samples)
        more = (header.size_bytes, plan.steady_total, plan.group_total, meta.origin, meta.started_utc, digest, header.path)
        sql.execute(_INSERT, values + more)
        return group

    def _group(self, meta: CaptureMeta) -> int:
        known = self._groups.get((meta.run, meta.group))
        if known is not None:
            return known
        sql = self._db.sql
        run, dut = self._run(meta)
        condition = self._condition(meta)
        sql.execute(
            "INSERT INTO grp (run, name, condition, dut) VALUES (?,?,?,?) ON CONFLICT DO NOTHING",
            (run, meta.group, condition, dut),
        )
        row = sql.execute("SELECT id FROM grp WHERE run = ? AND name = ?", (run, meta.group)).fetchone()
        if len(self._groups) > 10_000:
            self._groups.clear()
        self._groups[meta.run, meta.group] = int(row[0])
        return int(row[0])

    def _run(self, meta: CaptureMeta) -> tuple[int, int]:
        sql, dut = self._db.sql, meta.dut
        sql.execute(
            "INSERT INTO dut (name, title, panel) VALUES (?,?,?) ON CONFLICT DO NOTHING", (dut.id, dut.title, dut.panel)
        )
        dut_row = int(sql.execute("SELECT id FROM dut WHERE name = ?", (dut.id,)).fetchone()[0])
        sql.execute(
            "INSERT INTO run (name, dut, dut_record, started_utc, total) VALUES (?,?,?,?,?) ON CONFLICT DO NOTHING",
            (meta.run, dut_row, dut.model_dump_json(), meta.started_utc, meta.planned.total),
        )
        return int(sql.execute("SELECT id FROM run WHERE name = ?", (meta.run,)).fetchone()[0]), dut_row

    def _condition(self, meta: CaptureMeta) -> int:
        sql, c = self._db.sql, meta.condition
        key = c.key
        sql.execute(
            "INSERT INTO condition (key, title, refresh_rate_hz, overdrive, record) VALUES (?,?,?,?,?) ON CONFLICT DO NOTHING",
            (key, c.title, c.refresh_rate_hz, c.overdrive, c.model_dump_json()),
        )
        return int(sql.execute("SELECT id FROM condition WHERE key = ?", (key,)).fetchone()[0])

    def forget(self) -> None:
        """After a rollback: rows that were added in it are gone."""
        self._groups.clear()


def concerned(db: Database, changed: Iterable[tuple[int, str]]) -> set[int]:
    """Rows of the groups whose figures may depend on captures that came or went: (group, kind) of each.

    Power captures may enter figures of every group of the run.
    """
    out: set[int] = set()
    for group, kind in changed:
        out.add(group)
        if kind == "power":
            siblings = "SELECT id FROM grp WHERE run = (SELECT run FROM grp WHERE id = ?)"
            out |= {row[0] for row in db.sql.execute(siblings, (group,))}
    return out


def _light(db: Database, group: int) -> Inputs:
    usable = "FROM capture WHERE grp = ? AND reason IS NULL"
    steady = db.sql.execute(f"SELECT sha256 {usable} AND kind = 'steady'", (group,)).fetchall()
    wanted = db.sql.execute(f"SELECT coalesce(max(steady_total), 0) {usable}", (group,)).fetchone()[0]
    return Inputs.of((row[0].hex() for row in steady), complete=len(steady) >= wanted)


def refresh(db: Database, groups: Iterable[int]) -> None:
    """Recount groups whose captures changed; what was up to date must be looked at again."""
    rows = [(g,) for g in groups]
    db.sql.executemany(_REFRESH, rows)
    db.sql.executemany("UPDATE grp SET light = ? WHERE id = ?", [(_light(db, g).digest, g) for (g,) in rows])
    runs = {db.sql.execute("SELECT run FROM grp WHERE id = ?", row).fetchone() for row in rows}
    db.sql.executemany(_REFRESH_RUN, sorted(runs))
