"""Recompute: brings the measurements of an archive up to date with the methods, and says what there is to do before it does."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter

from .backend import Backend
from .engine import Engine
from .methods import MethodSet, ResolvedMethod
from .planner import plan_group
from .scheduler import Scheduler, declare

_GUESS_S = 0.02
"""Seconds a capture and method where nothing was measured yet and nothing can be tried."""


@dataclass(frozen=True)
class MethodBacklog:
    """What is missing of one method."""

    method: str
    fingerprint: str
    captures: int
    """Captures without up-to-date figures."""
    groups: int
    """Groups to be looked at."""
    total: int
    """Captures of the kinds that the method reads."""
    estimate_s: float
    """Processor time for this method alone, without reading and preparing the traces."""
    previous: tuple[str, ...]
    """Fingerprints under which the catalogue has figures of this method, newest first; they stay."""


@dataclass(frozen=True)
class DryRun:
    """What a recompute would do."""

    methods: tuple[MethodBacklog, ...]
    captures: int
    """Captures to be worked on: the most that any method lacks."""
    estimate_s: float
    """Wall time with these workers."""
    workers: int
    measured: bool
    """Whether the estimate rests on measured times."""


@dataclass(frozen=True)
class Progress:
    """How far it is."""

    captures: int
    results: int
    groups: int
    groups_total: int
    elapsed_s: float
    left_s: float
    """NaN while unknown."""


@dataclass(frozen=True)
class Changed:
    """A method whose current fingerprint is another one than before."""

    method: str
    old: str
    new: str


@dataclass(frozen=True)
class Report:
    """What a recompute did."""

    captures: int
    results: int
    groups: int
    seconds: float
    busy_s: float
    """Processor time of the workers."""
    deaths: int
    quarantined: tuple[str, ...]
    changed: tuple[Changed, ...]
    stopped: bool
    """Whether it was told to stop; what was done is kept."""


class Recompute:
    """One recompute over (a part of) an archive."""

    def __init__(
        self, catalogue: Catalogue, methods: MethodSet, chosen: Sequence[str] = (), where: Filter | None = None
    ) -> None:
        """
        Args:
            catalogue: a writer for `run`; a reader is enough for `dry_run`.
            methods: all that are loaded.
            chosen: ids of those to recompute; empty: all.
            where: displays, runs, conditions; None: the whole archive.

        Raises:
            MethodError: an id is unknown.
        """
        self._catalogue = catalogue
        self._all = tuple(methods.methods.values())
        self._chosen = tuple(methods.require(*chosen))
        self._where = where or Filter()

    def dry_run(self, workers: int = 1, engine: Engine | None = None) -> DryRun:
        """What is missing, a line a method, and about how long it would take.

        Args:
            workers: processes that would share the work.
            engine: to try methods whose cost was never measured on the newest group; nothing is stored.
        """
        found = self._catalogue.missing([(m.id, m.fingerprint, m.kinds) for m in self._chosen], self._where)
        paces = self._catalogue.paces()
        unknown = [m for m, f in zip(self._chosen, found, strict=True) if f.captures and m.id not in paces]
        if unknown and engine is not None:
            paces |= self._try_out(unknown, engine)
        known = {m.id for m in self._chosen} <= set(paces)
        history: dict[str, list[str]] = {}
        for entry in self._catalogue.methods():
            history.setdefault(entry.id, []).insert(0, entry.fingerprint)
        lines = [
            MethodBacklog(
                f.method,
                f.fingerprint,
                f.captures,
                f.groups,
                f.total,
                f.captures * paces.get(f.method, _GUESS_S),
                tuple(p for p in history.get(f.method, []) if p != f.fingerprint),
            )
            for f in found
        ]
        captures = max((m.captures for m in lines), default=0)
        total = sum(m.estimate_s for m in lines) + captures * paces.get("", _GUESS_S)
        return DryRun(tuple(lines), captures, total / max(1, workers), workers, known and "" in paces)

    def _try_out(self, methods: Sequence[ResolvedMethod], engine: Engine) -> dict[str, float]:
        """Seconds a capture, from the newest group; its figures are thrown away."""
        rows = self._catalogue.backlog(frozenset(f"{m.id}@{m.fingerprint}" for m in methods), self._where, limit=1)
        works = [w for row in rows for w in plan_group(self._catalogue, methods, row, settled=True).works]
        small = [replace(w, captures=w.captures[:8], summaries=()) for w in works[:1]]
        return {name: s / n for w in small for name, n, s in engine.perform(w).paces if n}

    def run(
        self,
        backend: Backend,
        progress: Callable[[Progress], None] = lambda _: None,
        stop: Callable[[], bool] = lambda: False,
    ) -> Report:
        """Compute everything that is missing, newest first. The backend stays open.

        Args:
            backend: carries the work.
            progress: told now and then, in this thread.
            stop: asked now and then; what was done before is kept.

        Raises:
            GreystepError: the workers can't start.
            CatalogueError: the catalogue can't be written; what was stored before stays.
        """
        began = time.monotonic()
        known = self._catalogue.methods()
        # A method that was broken or taken away for a while is compared with what it was last.
        before = {m.id: m.fingerprint for m in known} | {m.id: m.fingerprint for m in known if m.current}
        declare(self._catalogue, self._all)
        scheduler = Scheduler(self._catalogue, self._chosen, backend)
        rows = self._catalogue.backlog(scheduler.keys, self._where)
        waiting = list(reversed(rows))
        stopped = False
        while waiting or not scheduler.idle:
            if stop():
                stopped = True
                break
            while waiting and scheduler.waiting < 4 * backend.workers:
                scheduler.offer([waiting.pop()])
            scheduler.turn(0.5)
            progress(_progress(scheduler, len(rows), time.monotonic() - began))
        done = scheduler.progress
        changed = [
            Changed(m.id, before[m.id], m.fingerprint) for m in self._all if before.get(m.id, m.fingerprint) != m.fingerprint
        ]
        return Report(
            done.captures,
            done.results,
            done.groups,
            time.monotonic() - began,
            done.busy_s,
            done.deaths,
            tuple(done.quarantined),
            tuple(changed),
            stopped,
        )


def _progress(scheduler: Scheduler, total: int, elapsed_s: float) -> Progress:
    done = scheduler.progress
    left = elapsed_s * (total - done.groups) / done.groups if done.groups else float("nan")
    return Progress(done.captures, done.results, done.groups, total, elapsed_s, left)
