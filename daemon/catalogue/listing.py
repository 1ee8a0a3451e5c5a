"""What there is: captures, groups, runs, displays, methods, and what could not be used."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, cast

from .database import Database
from .entries import CaptureEntry, Filter, GroupEntry, MethodEntry

_CAPTURE = """SELECT capture.id, ulid, run.name, grp.name, capture.key, kind, dut.name, condition.key, from_level, to_level,
    segments, samples, size_bytes, steady_total, group_total, origin, capture.started_utc, sha256, path, reason
    FROM capture JOIN grp ON grp.id = capture.grp JOIN run ON run.id = grp.run
    JOIN dut ON dut.id = grp.dut JOIN condition ON condition.id = grp.condition"""
_GROUP = """SELECT grp.id, run.name, grp.name, dut.name, condition.key, grp.captures, newest, version, ended
    FROM grp JOIN run ON run.id = grp.run JOIN dut ON dut.id = grp.dut JOIN condition ON condition.id = grp.condition"""
_RUN = """SELECT run.name, dut.name, dut.title, dut_record, started_utc, total, captures, ended
    FROM run JOIN dut ON dut.id = run.dut"""


def _capture(row: tuple[Any, ...]) -> CaptureEntry:
    values = [*row[:17], row[17].hex(), row[18], row[19] or ""]
    return CaptureEntry(*values)


def _group(row: tuple[Any, ...]) -> GroupEntry:
    values = [*row[:8], bool(row[8])]
    return GroupEntry(*values)


def group_conditions(f: Filter) -> tuple[str, list[Any]]:
    """The part of a filter that selects groups, as SQL over grp, run, dut and condition."""
    parts, values = [], []
    columns = {
        "dut.name": f.dut,
        "run.name": f.run,
        "grp.name": f.group,
        "condition.key": f.condition,
        "condition.overdrive": f.overdrive,
        "condition.refresh_rate_hz": f.refresh_rate_hz,
    }
    for column, wanted in columns.items():
        if wanted:
            parts.append(f"{column} IN ({','.join('?' * len(wanted))})")
            values += list(wanted)
    return (" WHERE " + " AND ".join(parts) if parts else ""), values


def captures(db: Database, f: Filter) -> Iterator[CaptureEntry]:
    """Captures in order of display, run, group, key."""
    where, values = group_conditions(f)
    for row in db.sql.execute(f"{_CAPTURE}{where} ORDER BY dut.name, run.name, grp.name, capture.key", values):
        yield _capture(row)


def group_captures(db: Database, group: int) -> list[CaptureEntry]:
    """Captures of a group by key, also those that can't be read."""
    return [_capture(r) for r in db.sql.execute(f"{_CAPTURE} WHERE capture.grp = ? ORDER BY capture.key, ulid", (group,))]


def capture(db: Database, identity: str) -> CaptureEntry | None:
    """A capture by its id."""
    row = db.sql.execute(f"{_CAPTURE} WHERE ulid = ?", (identity,)).fetchone()
    return _capture(row) if row else None


def groups(db: Database, f: Filter) -> list[GroupEntry]:
    """Groups in order of display, run, group."""
    where, values = group_conditions(f)
    return [_group(r) for r in db.sql.execute(f"{_GROUP}{where} ORDER BY dut.name, run.name, grp.name", values)]


def group(db: Database, row: int) -> GroupEntry:
    """A group by its row."""
    return _group(db.sql.execute(f"{_GROUP} WHERE grp.id = ?", (row,)).fetchone())


def run_groups(db: Database, run: str) -> list[GroupEntry]:
    """Groups of a run by name."""
    return [_group(r) for r in db.sql.execute(f"{_GROUP} WHERE run.name = ? ORDER BY grp.name", (run,))]


def runs(db: Database, f: Filter) -> list[dict[str, Any]]:
    """Runs, newest first: run, dut, title, dut_record, started_utc, captures, total, ended."""
    parts = [("dut.name", f.dut), ("run.name", f.run)]
    where = " AND ".join(f"{c} IN ({','.join('?' * len(v))})" for c, v in parts if v) or "1"
    found = db.sql.execute(f"{_RUN} WHERE {where} ORDER BY run.name DESC", [x for _, v in parts for x in v])
    names = ("run", "dut", "title", "dut_record", "started_utc", "total", "captures", "ended")
    out = [dict(zip(names, row, strict=True)) for row in found]
    for item in out:
        item["dut_record"] = json.loads(item["dut_record"])
        item["ended"] = bool(item["ended"])
    return out


def duts(db: Database) -> list[dict[str, Any]]:
    """Displays by name: dut, title, panel, runs, captures, last_run."""
    query = """SELECT dut.name, title, panel, count(*), total(captures), max(run.name)
        FROM dut JOIN run ON run.dut = dut.id GROUP BY dut.id ORDER BY dut.name"""
    names = ("dut", "title", "panel", "runs", "captures", "last_run")
    return [dict(zip(names, (*r[:4], int(r[4]), r[5]), strict=True)) for r in db.sql.execute(query)]


def conditions(db: Database) -> list[dict[str, Any]]:
    """Conditions: condition (key), title, refresh_rate_hz, overdrive, record."""
    found = db.sql.execute("SELECT key, title, refresh_rate_hz, overdrive, record FROM condition ORDER BY title")
    names = ("condition", "title", "refresh_rate_hz", "overdrive", "record")
    return [dict(zip(names, (*r[:4], json.loads(r[4])), strict=True)) for r in found]


def methods(db: Database) -> list[MethodEntry]:
    """Every method and fingerprint ever met, by id, oldest first."""
    query = "SELECT name, fingerprint, title, record, current, since FROM method ORDER BY name, id"
    return [MethodEntry(r[0], r[1], r[2], json.loads(r[3]), bool(r[4]), r[5]) for r in db.sql.execute(query)]


def failures(db: Database) -> list[dict[str, Any]]:
    """What could not be used: captures that can't be read, and results that could not be computed, with the reason."""
    rows = "SELECT id FROM capture INDEXED BY capture_reason WHERE reason IS NOT NULL"
    unreadable = db.sql.execute(f"{_CAPTURE} WHERE capture.id IN ({rows}) ORDER BY ulid")
    out = [
        {"run": c.run, "group": c.group, "capture": c.id, "path": c.path, "method": "", "fingerprint": "", "reason": c.reason}
        for c in map(_capture, unreadable)
    ]
    broken = db.sql.execute(
        """SELECT run.name, grp.name, coalesce(ulid, ''), coalesce(path, ''), method.name, fingerprint, word.text
           FROM result INDEXED BY result_failure
           JOIN grp ON grp.id = result.grp JOIN run ON run.id = grp.run JOIN method ON method.id = result.method
           JOIN word ON word.id = result.failure LEFT JOIN capture ON capture.id = result.capture
           WHERE result.failure IS NOT NULL AND result.latest = 1 ORDER BY run.name, grp.name, ulid, method.name"""
    )
    names = ("run", "group", "capture", "path", "method", "fingerprint", "reason")
    return out + [dict(zip(names, row, strict=True)) for row in broken]


def standing(db: Database, group: int) -> dict[tuple[str, str], dict[int, bytes]]:
    """What a group has: (method id, fingerprint) -> capture row (0: the group) -> digest of the inputs."""
    query = """SELECT name, fingerprint, capture, digest FROM result JOIN method ON method.id = result.method
        JOIN inputs ON inputs.id = result.inputs WHERE grp = ?"""
    out: dict[tuple[str, str], dict[int, bytes]] = {}
    for name, fingerprint, captured, digest in db.sql.execute(query, (group,)):
        out.setdefault((cast(str, name), cast(str, fingerprint)), {})[captured] = digest
    return out
