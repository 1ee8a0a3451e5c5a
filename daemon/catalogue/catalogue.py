"""The catalogue as others use it: one writer, any number of readers."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import RLock
from typing import Any

from greystep.daemon.failpoints import Failpoints, NoFailpoints
from greystep.schema.capture import CaptureHeader, Kind
from greystep.schema.errors import CatalogueError
from greystep.schema.figure import Component
from greystep.schema.measurement import Measurement

from . import backlog, listing, query, ranking
from .database import Database, set_aside
from .entries import CaptureEntry, Covered, Filter, GroupEntry, MethodEntry, Result
from .intake import Intake, concerned, refresh
from .record import Record
from .store import Store


class Catalogue:
    """Index of captures and measurements. Safe to use from several threads; calls wait for each other.

    Every call may raise CatalogueError when the file is damaged or the disk fails.
    """

    def __init__(self, path: Path, *, write: bool = False) -> None:
        """Open; a writer makes the file when it is missing. Raises CatalogueError."""
        self._db = Database(path, write=write)
        self._intake = Intake(self._db)
        self._store = Store(self._db)
        self._lock = RLock()
        self.failpoints: Failpoints = NoFailpoints()
        """Passed at each durable step; armed by tests only."""

    @classmethod
    def open_or_renew(cls, path: Path) -> tuple[Catalogue, str]:
        """A writer. A damaged catalogue or one of another version is set aside and a new one begun.

        Returns:
            The catalogue, and why the old one was set aside (empty: it was not).
        """
        try:
            return cls(path, write=True), ""
        except CatalogueError as exc:
            set_aside(path)
            return cls(path, write=True), str(exc)

    @property
    def path(self) -> Path:
        """The SQLite file."""
        return self._db.path

    def close(self) -> None:
        """Close; safe to call twice."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Catalogue:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _reading(self) -> Iterator[Database]:
        with self._lock:
            try:
                yield self._db
            except sqlite3.Error as exc:
                raise CatalogueError(str(exc), where=str(self.path)) from exc

    @contextmanager
    def _writing(self) -> Iterator[Database]:
        with self._lock:
            try:
                self._db.sql.execute("BEGIN IMMEDIATE")
                try:
                    yield self._db
                except BaseException:
                    self._roll_back()
                    raise
                self._db.sql.execute("COMMIT")
            except sqlite3.Error as exc:
                self._roll_back()
                retry = isinstance(exc, sqlite3.OperationalError)
                raise CatalogueError(str(exc), where=str(self.path), retryable=retry) from exc

    def _roll_back(self) -> None:
        if self._db.sql.in_transaction:
            self._db.sql.execute("ROLLBACK")
        self._db.forget_words()
        self._intake.forget()
        self._store.forget()

    # Captures

    def add_captures(self, headers: Iterable[CaptureHeader]) -> int:
        """Add captures in one transaction; known ones are passed over. Returns how many were new.

        Raises:
            CatalogueError: two different files bear one capture id; nothing of the batch is added then.
        """
        self.failpoints.hit("catalogue.before-capture")
        with self._writing():
            new = self._intake.add(headers)[1]
        self.failpoints.hit("catalogue.after-capture")
        return new

    def add_capture(self, header: CaptureHeader) -> bool:
        """Add one capture. Returns whether it was new."""
        return self.add_captures([header]) == 1

    def has_capture(self, identity: str) -> bool:
        """Whether a capture of this id is known."""
        with self._reading() as db:
            return db.sql.execute("SELECT 1 FROM capture WHERE ulid = ?", (identity,)).fetchone() is not None

    def known_paths(self) -> set[str]:
        """Paths of all captures, relative to the archive."""
        with self._reading() as db:
            return {row[0] for row in db.sql.execute("SELECT path FROM capture")}

    def capture(self, identity: str) -> CaptureEntry | None:
        """A capture by its id."""
        with self._reading() as db:
            return listing.capture(db, identity)

    def captures(self, f: Filter = Filter()) -> list[CaptureEntry]:  # noqa: B008 - frozen
        """Captures in order of display, run, group, key."""
        with self._reading() as db:
            return list(listing.captures(db, f))

    def mark_unreadable(self, identity: str, reason: str) -> None:
        """Leave a capture out of all figures; its group must be computed again without it."""
        with self._writing() as db:
            row = db.sql.execute("SELECT grp, kind FROM capture WHERE ulid = ?", (identity,)).fetchone()
            if row:
                db.sql.execute("UPDATE capture SET reason = ? WHERE ulid = ?", (reason, identity))
                refresh(db, concerned(db, [row]))

    def forgive(self) -> None:
        """Try unreadable captures again: a share may be mounted again, a file restored."""
        with self._writing() as db:
            rows = db.sql.execute("SELECT DISTINCT grp, kind FROM capture WHERE reason IS NOT NULL").fetchall()
            db.sql.execute("UPDATE capture SET reason = NULL WHERE reason IS NOT NULL")
            refresh(db, concerned(db, rows))

    def mark_run_ended(self, run: str) -> None:
        """No more captures of this run will come."""
        with self._writing() as db:
            db.sql.execute("UPDATE run SET ended = 1 WHERE name = ?", (run,))

    # Listings

    def groups(self, f: Filter = Filter()) -> list[GroupEntry]:  # noqa: B008
        """Groups in order of display, run, group."""
        with self._reading() as db:
            return listing.groups(db, f)

    def group(self, row: int) -> GroupEntry:
        """A group by its row."""
        with self._reading() as db:
            return listing.group(db, row)

    def group_captures(self, row: int) -> list[CaptureEntry]:
        """Captures of a group by key, also those that can't be read."""
        with self._reading() as db:
            return listing.group_captures(db, row)

    def run_groups(self, run: str) -> list[GroupEntry]:
        """Groups of a run."""
        with self._reading() as db:
            return listing.run_groups(db, run)

    def runs(self, f: Filter = Filter()) -> list[dict[str, Any]]:  # noqa: B008
        """Runs, newest first: run, dut, title, dut_record, started_utc, captures, total, ended."""
        with self._reading() as db:
            return listing.runs(db, f)

    def duts(self) -> list[dict[str, Any]]:
        """Displays: dut, title, panel, runs, captures, last_run."""
        with self._reading() as db:
            return listing.duts(db)

    def conditions(self) -> list[dict[str, Any]]:
        """Conditions: condition (key), title, refresh_rate_hz, overdrive, record."""
        with self._reading() as db:
            return listing.conditions(db)

    def methods(self) -> list[MethodEntry]:
        """Every method and fingerprint ever met."""
        with self._reading() as db:
            return listing.methods(db)

    def failures(self) -> list[dict[str, Any]]:
        """Unreadable captures and broken results: run, group, capture, path, method, fingerprint, reason."""
        with self._reading() as db:
            return listing.failures(db)

    # Results

    def set_methods(self, methods: Iterable[MethodEntry]) -> None:
        """Make these the current methods; the current view follows. Old results stay."""
        with self._writing():
            self._store.set_methods(methods)

    def store(
        self,
        results: Iterable[Result],
        covered: Sequence[Covered] = (),
        paces: Iterable[tuple[str, int, float]] = (),
    ) -> None:
        """Add results, note what is up to date now and what it cost (method id, captures, s), in one transaction."""
        self.failpoints.hit("catalogue.before-store")
        with self._writing():
            self._store.put(results)
            self._store.cover(covered)
            self._store.pace(paces)
        self.failpoints.hit("catalogue.after-store")

    def paces(self) -> dict[str, float]:
        """Seconds a capture by method id, as measured lately; the empty name stands for reading and preparing."""
        with self._reading() as db:
            return {name: s / n for name, n, s in db.sql.execute("SELECT * FROM pace WHERE captures > 0")}

    def standing(self, group: int) -> dict[tuple[str, str], dict[int, bytes]]:
        """What a group has: (method id, fingerprint) -> capture row (0: the group) -> digest of the inputs."""
        with self._reading() as db:
            return listing.standing(db, group)

    def records(self, group: int, capture: int, method: str, fingerprint: str) -> tuple[Record, ...] | None:
        """The figures of one result exactly as they were stored; None when there is none or it could not be computed."""
        with self._reading() as db:
            return query.records(db, group, capture, method, fingerprint)

    def results(self, f: Filter = Filter()) -> list[Measurement]:  # noqa: B008
        """Measurements without budget and details, by display, run, group, capture, method."""
        with self._reading() as db:
            return list(query.Query(db, f).measurements())

    def each_result(self, f: Filter = Filter()) -> Iterator[Measurement]:  # noqa: B008
        """The same, one by one: for result sets that don't fit in memory. Uses a connection of its own."""
        db = Database(self.path, write=False)
        try:
            yield from query.Query(db, f).measurements()
        finally:
            db.close()

    def each_row(self, f: Filter = Filter()) -> Iterator[tuple[Any, ...]]:  # noqa: B008
        """Measurements as plain tuples in the order of `query.ROW`, one by one, over a connection of its own."""
        db = Database(self.path, write=False)
        try:
            yield from query.Query(db, f).rows()
        finally:
            db.close()

    def columns(self, f: Filter = Filter()) -> dict[str, list[Any]]:  # noqa: B008
        """The same as `results` as columns of plain values (None instead of NaN); names: `query.ROW`. Faster than objects."""
        with self._reading() as db:
            rows = list(query.Query(db, f).rows())
        return (
            {name: list(column) for name, column in zip(query.ROW, zip(*rows, strict=True), strict=True)}
            if rows
            else {name: [] for name in query.ROW}
        )

    def budget(self, m: Measurement) -> tuple[tuple[Component, ...], dict[str, float]]:
        """Components of the uncertainty of a measurement, and the numbers for drawing and checking it."""
        with self._reading() as db:
            return query.budget(db, m)

    def with_budget(self, m: Measurement) -> Measurement:
        """The measurement with budget and details filled in."""
        with self._reading() as db:
            return query.with_budget(db, m)

    def ranking(
        self,
        method: str,
        quantity: str,
        f: Filter = Filter(),  # noqa: B008
        *,
        all_runs: bool = False,
    ) -> list[ranking.Standing]:
        """Displays by a figure of the whole group; see `ranking.ranking`."""
        with self._reading() as db:
            return ranking.ranking(db, method, quantity, f, all_runs=all_runs)

    def ranked_quantities(self, method: str, fingerprint: str) -> list[str]:
        """Names of the figures of whole groups that stand under a fingerprint, by name."""
        with self._reading() as db:
            return ranking.quantities(db, method, fingerprint)

    # What is out of date

    def missing(
        self,
        wanted: Sequence[tuple[str, str, frozenset[Kind]]],
        f: Filter = Filter(),  # noqa: B008
    ) -> list[backlog.Missing]:
        """How much is out of date, a line a method; see `backlog.missing`."""
        with self._reading() as db:
            return backlog.missing(db, wanted, f)

    def backlog(self, keys: frozenset[str], f: Filter = Filter(), limit: int = -1) -> list[int]:  # noqa: B008
        """Rows of groups that lack one of these methods (`id@fingerprint`), newest first."""
        with self._reading() as db:
            return backlog.groups(db, keys, f, limit)
