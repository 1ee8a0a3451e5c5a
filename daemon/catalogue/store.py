"""Results into the catalogue: one result a capture (or group) and fingerprint, replaced when its inputs changed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Final

from .database import Database
from .entries import Covered, MethodEntry, Result
from .inputs import Inputs

PLACES: Final = 65536
"""Figures that one result may have: `measurement.id` = result * PLACES + position."""
_MEASUREMENT = "INSERT INTO measurement VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?)"


class Store:
    """Writes results within one transaction; keeps the rows it met."""

    def __init__(self, db: Database) -> None:
        self._db = db
        self._methods: dict[tuple[str, str], tuple[int, bool, tuple[int, ...]]] = {}
        self._inputs: dict[bytes, int] = {}
        self._ranks: dict[tuple[int, int, int], int] = {}

    def set_methods(self, methods: Iterable[MethodEntry]) -> None:
        """Make these the current methods: new fingerprints are added, the current view follows."""
        sql = self._db.sql
        before = set(sql.execute("SELECT name, fingerprint FROM method WHERE current = 1"))
        wanted = {(m.id, m.fingerprint): m for m in methods}
        now = datetime.now(UTC).isoformat(timespec="seconds")
        for m in wanted.values():
            sql.execute(
                """INSERT INTO method (name, fingerprint, title, record, since) VALUES (?,?,?,?,?)
                   ON CONFLICT DO UPDATE SET title = excluded.title, record = excluded.record""",
                (m.id, m.fingerprint, m.title, json.dumps(dict(m.record)), now),
            )
        sql.execute("UPDATE method SET current = 0 WHERE current = 1")
        sql.executemany("UPDATE method SET current = 1 WHERE name = ? AND fingerprint = ?", list(wanted))
        for name, fingerprint in sorted(set(wanted) - before):
            self._show(name, fingerprint)
        self._methods.clear()

    def _show(self, name: str, fingerprint: str) -> None:
        """Where there is a result under this fingerprint, it takes the place of the method's other ones."""
        sql = self._db.sql
        row = sql.execute("SELECT id FROM method WHERE name = ? AND fingerprint = ?", (name, fingerprint)).fetchone()[0]
        if not sql.execute("SELECT 1 FROM result WHERE method = ? LIMIT 1", (row,)).fetchone():
            return
        others = [r[0] for r in sql.execute("SELECT id FROM method WHERE name = ? AND id <> ?", (name, row))]
        for other in others:
            sql.execute(
                """UPDATE result SET latest = 0 WHERE method = ? AND latest = 1 AND EXISTS (SELECT 1 FROM result AS new
                   WHERE new.grp = result.grp AND new.capture = result.capture AND new.method = ?)""",
                (other, row),
            )
        sql.execute("UPDATE result SET latest = 1 WHERE method = ? AND latest = 0", (row,))

    def put(self, results: Iterable[Result]) -> None:
        """Add results; one that stood in the same place under the same fingerprint is replaced."""
        for result in results:
            self._put_one(result)

    def _put_one(self, result: Result) -> None:
        sql = self._db.sql
        method, current, others = self._method(result.method, result.fingerprint)
        place = (result.group, result.capture, method)
        old = sql.execute("SELECT id FROM result WHERE grp = ? AND capture = ? AND method = ?", place).fetchone()
        if old:
            self._remove(int(old[0]))
        latest = self._make_room(result, current, others)
        dut, condition = sql.execute("SELECT dut, condition FROM grp WHERE id = ?", (result.group,)).fetchone()
        failure = self._db.word(result.failure) if result.failure else None
        cursor = sql.execute(
            "INSERT INTO result (grp, capture, method, inputs, latest, dut, failure) VALUES (?,?,?,?,?,?,?)",
            (*place, self._inputs_row(result.inputs), latest, dut, failure),
        )
        self._figures(int(cursor.lastrowid or 0), result, method, condition)

    def _figures(self, row: int, result: Result, method: int, condition: int) -> None:
        word, base = self._db.word, row * PLACES
        measurements, budgets = [], []
        for i, r in enumerate(result.records[:PLACES]):
            quantity = word(r.quantity)
            rank = None if result.capture else self._rank(method, quantity, condition)
            values = (base + i, quantity, word(r.unit), r.from_level, r.to_level, r.value, r.u, r.dof, r.expanded)
            measurements.append((*values, r.bound, word(r.flags), word(r.reason), r.repeats, rank))
            if r.numbers:
                budgets.append((base + i, word(r.form), r.numbers))
        self._db.sql.executemany(_MEASUREMENT, measurements)
        self._db.sql.executemany("INSERT INTO budget VALUES (?,?,?)", budgets)

    def _make_room(self, result: Result, current: bool, others: tuple[int, ...]) -> int:
        """Whether the new result belongs to the current view; the method's older ones leave it then."""
        if not others:
            return 1
        sql = self._db.sql
        marks = ",".join("?" * len(others))
        where = f"grp = ? AND capture = ? AND latest = 1 AND method IN ({marks})"
        if current:
            sql.execute(f"UPDATE result SET latest = 0 WHERE {where}", (result.group, result.capture, *others))
            return 1
        found = sql.execute(f"SELECT 1 FROM result WHERE {where}", (result.group, result.capture, *others)).fetchone()
        return 0 if found else 1

    def _remove(self, row: int) -> None:
        sql, span = self._db.sql, (row * PLACES, (row + 1) * PLACES)
        sql.execute("DELETE FROM measurement WHERE id >= ? AND id < ?", span)
        sql.execute("DELETE FROM budget WHERE id >= ? AND id < ?", span)
        sql.execute("DELETE FROM result WHERE id = ?", (row,))

    def cover(self, statements: Sequence[Covered]) -> None:
        """Note what is up to date; a statement about inputs that have changed since is passed over."""
        sql = self._db.sql
        for s in statements:
            found = sql.execute(
                """SELECT members FROM grp JOIN coverage ON coverage.id = grp.coverage
                   WHERE grp.id = ? AND version = ?""",
                (s.group, s.version),
            ).fetchone()
            if not found:
                continue
            members = json.dumps(sorted({*json.loads(found[0]), *s.methods}))
            sql.execute("INSERT INTO coverage (members) VALUES (?) ON CONFLICT DO NOTHING", (members,))
            sql.execute(
                "UPDATE grp SET coverage = (SELECT id FROM coverage WHERE members = ?) WHERE id = ?", (members, s.group)
            )

    def pace(self, paces: Iterable[tuple[str, int, float]]) -> None:
        """Add what was measured; the past counts half from a thousand captures on, so that the figure follows the machine."""
        self._db.sql.executemany(
            """INSERT INTO pace VALUES (?,?,?) ON CONFLICT DO UPDATE SET
               seconds = seconds / iif(captures > 1000, 2, 1) + excluded.seconds,
               captures = captures / iif(captures > 1000, 2, 1) + excluded.captures""",
            paces,
        )

    def _method(self, name: str, fingerprint: str) -> tuple[int, bool, tuple[int, ...]]:
        """Row, whether it is current, and rows of the method's other fingerprints."""
        known = self._methods.get((name, fingerprint))
        if known is None:
            sql = self._db.sql
            row, current = sql.execute(
                "SELECT id, current FROM method WHERE name = ? AND fingerprint = ?", (name, fingerprint)
            ).fetchone()
            others = tuple(r[0] for r in sql.execute("SELECT id FROM method WHERE name = ? AND id <> ?", (name, row)))
            known = self._methods[name, fingerprint] = (int(row), bool(current), others)
        return known

    def _inputs_row(self, inputs: Inputs) -> int:
        known = self._inputs.get(inputs.digest)
        if known is None:
            sql = self._db.sql
            sql.execute(
                "INSERT INTO inputs (digest, hashes) VALUES (?,?) ON CONFLICT DO NOTHING", (inputs.digest, inputs.packed)
            )
            known = int(sql.execute("SELECT id FROM inputs WHERE digest = ?", (inputs.digest,)).fetchone()[0])
            if len(self._inputs) > 10_000:
                self._inputs.clear()
            self._inputs[inputs.digest] = known
        return known

    def _rank(self, method: int, quantity: int, condition: int) -> int:
        key = (method, quantity, condition)
        known = self._ranks.get(key)
        if known is None:
            sql = self._db.sql
            sql.execute("INSERT INTO rank (method, quantity, condition) VALUES (?,?,?) ON CONFLICT DO NOTHING", key)
            query = "SELECT id FROM rank WHERE method = ? AND quantity = ? AND condition = ?"
            known = self._ranks[key] = int(sql.execute(query, key).fetchone()[0])
        return known

    def forget(self) -> None:
        """After a rollback: rows that were added in it are gone."""
        self._methods.clear()
        self._inputs.clear()
        self._ranks.clear()
