"""Measurements out of the catalogue, group by group, in a fixed order and bounded memory."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

from greystep.schema.errors import CatalogueError
from greystep.schema.figure import Component, Figure
from greystep.schema.measurement import Measurement

from . import listing
from .database import Database, Texts
from .entries import Filter, GroupEntry
from .inputs import Inputs
from .record import BOUNDS, Record, nan_if_none, unpack_numbers
from .store import PLACES

_RESULTS = """SELECT result.id, result.capture, result.method, result.inputs, ulid, sha256, key FROM result
    LEFT JOIN capture ON capture.id = result.capture WHERE result.grp = ? AND result.failure IS NULL"""
_COLUMNS = """measurement.id, quantity, unit, measurement.from_level, measurement.to_level, value, u, dof, expanded, bound,
    flags, reason, repeats"""
_FIGURES = f"SELECT {_COLUMNS} FROM measurement WHERE id >= ? AND id < ?"
_OF_GROUP = f"""SELECT {_COLUMNS} FROM result CROSS JOIN measurement
    ON measurement.id >= result.id * {PLACES} AND measurement.id < (result.id + 1) * {PLACES}
    WHERE result.grp = ? AND result.failure IS NULL"""
_MIN_DIGITS = 6


class Query:
    """One question, with what it looked up on the way."""

    def __init__(self, db: Database, f: Filter) -> None:
        """Raises CatalogueError for a fingerprint that is too short."""
        self._db = db
        self._filter = f
        self._methods = self._choose_methods()
        self._quantities = {w for w in map(db.find_word, f.quantity) if w is not None}
        self._inputs: dict[int, Inputs] = {}
        self._texts = db.texts

    def _choose_methods(self) -> dict[int, tuple[str, str]]:
        """Rows of the methods wanted -> (id, fingerprint). A method without a current definition isn't in the current view."""
        f = self._filter
        if any(len(p) < _MIN_DIGITS for p in f.fingerprint):
            raise CatalogueError(f"a fingerprint needs at least {_MIN_DIGITS} digits")
        found = self._db.sql.execute("SELECT id, name, fingerprint, current FROM method").fetchall()
        alive = {name for _, name, _, current in found if current}
        return {
            row: (name, fingerprint)
            for row, name, fingerprint, _ in found
            if (not f.method or name in f.method)
            and (any(fingerprint.startswith(p) for p in f.fingerprint) if f.fingerprint else not f.current or name in alive)
        }

    def measurements(self) -> Iterator[Measurement]:
        """Measurements without budget and details (see `budget`), by display, run, group, capture key, method."""
        make, texts, frozen = self._figure, self._texts, _frozen
        for group in self._groups():
            for result, rows in self._of_group(group):
                shared = self._place(group, result)
                for row in rows:
                    m = frozen(Measurement, shared)
                    m.__dict__["figure"] = make(texts, row)
                    m.__dict__["u"] = nan_if_none(row[6])
                    m.__dict__["dof"] = nan_if_none(row[7])
                    m.__dict__["expanded_uncertainty"] = nan_if_none(row[8])
                    yield m

    def rows(self) -> Iterator[tuple[Any, ...]]:
        """The same as plain tuples in the order of `ROW`: twice as fast, and ready for columns."""
        texts = self._texts
        facts = {
            key: (key, rate, overdrive)
            for key, rate, overdrive in self._db.sql.execute("SELECT key, refresh_rate_hz, overdrive FROM condition")
        }
        for group in self._groups():
            condition = facts[group.condition]
            for result, rows in self._of_group(group):
                name, fingerprint = self._methods[result[2]]
                capture, digest = result[4] or None, result[5].hex() if result[5] else None
                head = (group.dut, group.run, group.group, *condition, capture, digest, name, fingerprint)
                for _, q, unit, a, b, value, u, dof, expanded, bound, flags, reason, repeats in rows:
                    numbers = (texts[q], texts[unit], a, b, value, u, dof, expanded)
                    yield head + numbers + (BOUNDS[bound], texts[flags], texts[reason], repeats)

    def _groups(self) -> Iterator[GroupEntry]:
        if self._methods and (self._quantities or not self._filter.quantity):
            yield from listing.groups(self._db, self._filter)

    def _of_group(self, group: GroupEntry) -> Iterator[tuple[tuple[Any, ...], list[tuple[Any, ...]]]]:
        """Results of a group in order, each with its figures."""
        sql, f = self._db.sql, self._filter
        more = " AND result.latest = 1" if f.current and not f.fingerprint else ""
        if f.scope:
            more += " AND result.capture = 0" if f.scope == "group" else " AND result.capture > 0"
        found = [r for r in sql.execute(_RESULTS + more, (group.row,)) if r[2] in self._methods]
        if not found:
            return
        figures: dict[int, list[tuple[Any, ...]]] = {r[0]: [] for r in found}
        wanted = self._quantities
        for row in sql.execute(_OF_GROUP + more, (group.row,)):
            place = figures.get(row[0] // PLACES)
            if place is not None and (not wanted or row[1] in wanted):
                place.append(row)
        found.sort(key=lambda r: (r[6] or "", self._methods[r[2]]))
        yield from ((r, figures[r[0]]) for r in found)

    def _place(self, group: GroupEntry, result: tuple[Any, ...]) -> dict[str, Any]:
        """What all measurements of a result have in common, in the order of the class's fields."""
        _, _, method, inputs, capture, digest, _ = result
        name, fingerprint = self._methods[method]
        shared = self._sources(inputs)
        return {
            "dut": group.dut,
            "run": group.run,
            "group": group.group,
            "condition": group.condition,
            "capture": capture or "",
            "inputs": shared.hashes if digest is None else Inputs.of((*shared.hashes, digest.hex())).hashes,
            "method": name,
            "fingerprint": fingerprint,
        }

    def _sources(self, row: int) -> Inputs:
        known = self._inputs.get(row)
        if known is None:
            packed = self._db.sql.execute("SELECT hashes FROM inputs WHERE id = ?", (row,)).fetchone()[0]
            if len(self._inputs) > 1000:
                self._inputs.clear()
            known = self._inputs[row] = Inputs.unpack(packed)
        return known

    @staticmethod
    def _figure(texts: Texts, row: tuple[Any, ...]) -> Figure:
        _, quantity, unit, from_level, to_level, value, _, _, _, bound, flags, reason, repeats = row
        made: Figure = _frozen(
            Figure,
            {
                "quantity": texts[quantity],
                "value": nan_if_none(value),
                "unit": texts[unit],
                "from_level": from_level,
                "to_level": to_level,
                "budget": (),
                "bound": BOUNDS[bound],
                "reason": texts[reason],
                "flags": tuple(texts[flags].split()),
                "repeats": repeats,
                "detail": {},
            },
        )
        return made


ROW: Final = (
    "dut",
    "run",
    "group",
    "condition",
    "refresh_rate_hz",
    "overdrive",
    "capture",
    "capture_sha256",
    "method",
    "fingerprint",
    "quantity",
    "unit",
    "from_level",
    "to_level",
    "value",
    "u",
    "dof",
    "expanded_uncertainty",
    "bound",
    "flags",
    "reason",
    "repeats",
)
"""Names of the columns of `rows`; `flags` is one text with spaces between."""


def _frozen(cls: type[Any], values: dict[str, Any]) -> Any:
    """A frozen dataclass filled at once: its own __init__ sets field by field and took four times as long."""
    made = object.__new__(cls)
    made.__dict__.update(values)
    return made


def budget(db: Database, m: Measurement) -> tuple[tuple[Component, ...], dict[str, float]]:
    """Budget and details of a measurement. Raises CatalogueError when it isn't in the catalogue any more."""
    words = [db.find_word(m.figure.quantity), m.figure.from_level, m.figure.to_level]
    found = db.sql.execute(
        """SELECT measurement.id, form, numbers FROM run JOIN grp ON grp.run = run.id JOIN result ON result.grp = grp.id
           JOIN method ON method.id = result.method LEFT JOIN capture ON capture.id = result.capture
           JOIN measurement ON measurement.id >= result.id * 65536 AND measurement.id < (result.id + 1) * 65536
           LEFT JOIN budget ON budget.id = measurement.id
           WHERE run.name = ? AND grp.name = ? AND coalesce(ulid, '') = ? AND method.name = ? AND fingerprint = ?
           AND quantity = ? AND measurement.from_level IS ? AND measurement.to_level IS ? AND value IS ?""",
        (m.run, m.group, m.capture, m.method, m.fingerprint, *words, _null_if_nan(m.figure.value)),
    ).fetchone()
    if found is None:
        raise CatalogueError("the measurement is not in the catalogue any more", todo="ask for the results again")
    return unpack_numbers(db.text(found[1]), found[2]) if found[1] is not None else ((), {})


def with_budget(db: Database, m: Measurement) -> Measurement:
    """The measurement with budget and details filled in."""
    components, detail = budget(db, m)
    return replace(m, figure=replace(m.figure, budget=components, detail=detail))


def _null_if_nan(value: float) -> float | None:
    return None if math.isnan(value) else value


def records(db: Database, group: int, capture: int, method: str, fingerprint: str) -> tuple[Record, ...] | None:
    """The records of one result as they were stored, in their order; None when there is none, or it could not be computed."""
    found = db.sql.execute(
        """SELECT result.id FROM result JOIN method ON method.id = result.method
           WHERE grp = ? AND capture = ? AND method.name = ? AND fingerprint = ? AND failure IS NULL""",
        (group, capture, method, fingerprint),
    ).fetchone()
    if found is None:
        return None
    span = (found[0] * PLACES, (found[0] + 1) * PLACES)
    numbers = {i: (form, data) for i, form, data in db.sql.execute("SELECT * FROM budget WHERE id >= ? AND id < ?", span)}
    return tuple(_record(db, row, numbers.get(row[0])) for row in db.sql.execute(_FIGURES, span))


def _record(db: Database, row: tuple[Any, ...], numbers: tuple[int, bytes] | None) -> Record:
    identity, quantity, unit, from_level, to_level, value, u, dof, expanded, bound, flags, reason, repeats = row
    del identity
    text = db.text
    form, data = (text(numbers[0]), numbers[1]) if numbers else ("[[],[]]", b"")
    floats = (nan_if_none(value), nan_if_none(u), nan_if_none(dof), nan_if_none(expanded))
    return Record(
        text(quantity), text(unit), from_level, to_level, *floats, bound, text(flags), text(reason), repeats, form, data
    )
