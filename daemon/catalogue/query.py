"""Measurements out of the catalogue, group by group, in a fixed order and bounded memory."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from greystep.schema.errors import CatalogueError
from greystep.schema.figure import Component, Figure
from greystep.schema.measurement import Measurement

from . import listing
from .database import Database
from .entries import Filter, GroupEntry
from .inputs import Inputs
from .record import BOUNDS, Record, nan_if_none, unpack_numbers
from .store import PLACES

_RESULTS = """SELECT result.id, result.capture, result.method, result.inputs, ulid, sha256 FROM result
    LEFT JOIN capture ON capture.id = result.capture WHERE result.grp = ? AND result.failure IS NULL"""
_FIGURES = """SELECT id, quantity, unit, from_level, to_level, value, u, dof, expanded, bound, flags, reason, repeats
    FROM measurement WHERE id >= ? AND id < ?"""
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
        if not self._methods or (self._filter.quantity and not self._quantities):
            return
        for group in listing.groups(self._db, self._filter):
            yield from self._of_group(group)

    def _of_group(self, group: GroupEntry) -> Iterator[Measurement]:
        sql, f = self._db.sql, self._filter
        query = _RESULTS
        if f.current and not f.fingerprint:
            query += " AND result.latest = 1"
        if f.scope:
            query += " AND result.capture = 0" if f.scope == "group" else " AND result.capture > 0"
        found = [r for r in sql.execute(query, (group.row,)) if r[2] in self._methods]
        keys = self._keys(group.row)
        found.sort(key=lambda r: (keys.get(r[1], ""), self._methods[r[2]]))
        for result, _, method, inputs, capture, digest in found:
            name, fingerprint = self._methods[method]
            shared = self._sources(inputs)
            hashes = shared.hashes if digest is None else Inputs.of((*shared.hashes, digest.hex())).hashes
            place = (group.dut, group.run, group.group, group.condition, capture or "", hashes, name, fingerprint)
            for row in sql.execute(_FIGURES, (result * PLACES, (result + 1) * PLACES)):
                if not self._quantities or row[1] in self._quantities:
                    yield self._measurement(place, row)

    def _keys(self, group: int) -> dict[int, str]:
        return dict(self._db.sql.execute("SELECT id, key FROM capture WHERE grp = ?", (group,)))

    def _sources(self, row: int) -> Inputs:
        known = self._inputs.get(row)
        if known is None:
            packed = self._db.sql.execute("SELECT hashes FROM inputs WHERE id = ?", (row,)).fetchone()[0]
            if len(self._inputs) > 1000:
                self._inputs.clear()
            known = self._inputs[row] = Inputs.unpack(packed)
        return known

    def _measurement(self, place: tuple[Any, ...], row: tuple[Any, ...]) -> Measurement:
        text = self._db.text
        _, quantity, unit, from_level, to_level, value, u, dof, expanded, bound, flags, reason, repeats = row
        figure = _frozen(
            Figure,
            quantity=text(quantity),
            value=nan_if_none(value),
            unit=text(unit),
            from_level=from_level,
            to_level=to_level,
            budget=(),
            bound=BOUNDS[bound],
            reason=text(reason),
            flags=tuple(text(flags).split()),
            repeats=repeats,
            detail={},
        )
        dut, run, group, condition, capture, inputs, method, fingerprint = place
        made: Measurement = _frozen(
            Measurement,
            dut=dut,
            run=run,
            group=group,
            condition=condition,
            capture=capture,
            inputs=inputs,
            method=method,
            fingerprint=fingerprint,
            figure=figure,
            u=nan_if_none(u),
            dof=nan_if_none(dof),
            expanded_uncertainty=nan_if_none(expanded),
        )
        return made


def _frozen(cls: type[Any], **values: Any) -> Any:
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
