"""The background of the service: captures in as they are archived, figures out, backlog behind, new captures first."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import GroupEntry, Result
from greystep.schema.capture import CaptureHeader
from greystep.schema.errors import CatalogueError, GreystepError

from .backend import Backend
from .methods import ResolvedMethod
from .scheduler import Scheduler, declare

_TURN_S: Final = 0.5
_LOT: Final = 500
"""Captures a transaction when many come at once."""
_RETRY_S: Final = 5.0
_NAP_S: Final = 30.0


@dataclass(frozen=True)
class AnalystStatus:
    """What the analysis is doing, for `status.json` and the screen."""

    captures_waiting: int = 0
    """Archived captures that are not in the catalogue yet."""
    groups_waiting: int = 0
    """Groups whose figures wait to be computed."""
    busy: bool = False
    captures_done: int = 0
    results: int = 0
    deaths: int = 0
    """Worker processes that died or hung."""
    quarantined: tuple[str, ...] = ()
    """The last ones, newest last."""
    problem: str = ""
    """Why analysis stands still; empty when it doesn't."""


@dataclass
class _Inbox:
    headers: deque[CaptureHeader] = field(default_factory=deque)
    ended: deque[str] = field(default_factory=deque)
    methods: tuple[Sequence[ResolvedMethod], Sequence[ResolvedMethod]] | None = None
    """To apply, and all that have a definition."""
    poked: bool = True
    """The backlog is looked through at the start."""

    @property
    def empty(self) -> bool:
        """Whether nothing was told."""
        return not (self.headers or self.ended or self.poked) and self.methods is None


class Analyst:
    """Owns the catalogue's writer and a backend, in a thread of its own. All methods may be called from any thread."""

    def __init__(
        self,
        catalogue: Catalogue,
        methods: Sequence[ResolvedMethod],
        backend: Backend,
        *,
        declared: Sequence[ResolvedMethod] | None = None,
        idle_s: float = 600.0,
        stored: Callable[[Sequence[Result]], None] = lambda _: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """
        Args:
            catalogue: a writer; from now on only this object writes to it.
            methods: to apply to everything.
            declared: all that have a definition: their figures stay in the current view although they aren't computed here
                (made by a recompute, for example); None: `methods`.
            backend: carries the work; closed by `close`.
            idle_s: a run without a new capture for so long is taken as ended.
            stored: told of results after they were stored, in the analyst's thread.
            clock: monotonic, in s.
        """
        self._catalogue = catalogue
        self._backend = backend
        self._methods = tuple(methods)
        self._declared = tuple(declared or methods)
        self._idle_s = idle_s
        self._clock = clock
        self._scheduler = Scheduler(catalogue, methods, backend, settled=self._settled, stored=stored)
        self._inbox = _Inbox()
        self._backlog: deque[int] = deque()
        self._last_s: dict[str, float] = {}
        self._started_s = clock()
        self._change = threading.Condition()
        self._closing = False
        self._at_work = True
        self._stopped = False
        self._problem = ""
        self._thread = threading.Thread(target=self._run, name="greystep-analyst", daemon=True)

    def start(self) -> Analyst:
        """Begin; returns itself."""
        self._thread.start()
        return self

    # From other threads

    def notify(self, header: CaptureHeader) -> None:
        """A capture is in the archive. Cheap; the same one may be told many times."""
        with self._change:
            self._inbox.headers.append(header)
            self._at_work = True
        self._wake()

    def notify_run_ended(self, run: str) -> None:
        """No more captures of this run will come: its incomplete groups are summed up as they are."""
        with self._change:
            self._inbox.ended.append(run)
            self._at_work = True
        self._wake()

    def use_methods(self, methods: Sequence[ResolvedMethod], declared: Sequence[ResolvedMethod] | None = None) -> None:
        """Apply these from now on, to the whole archive; the newest captures first. `declared`: see the class."""
        with self._change:
            self._inbox.methods = (tuple(methods), tuple(declared or methods))
            self._at_work = True
        self._wake()

    def poke(self) -> None:
        """Look through the backlog again."""
        with self._change:
            self._inbox.poked = True
            self._at_work = True
        self._wake()

    def status(self) -> AnalystStatus:
        """What is going on now."""
        progress = self._scheduler.progress
        with self._change:
            return AnalystStatus(
                captures_waiting=len(self._inbox.headers),
                groups_waiting=self._scheduler.waiting + len(self._backlog),
                busy=self._at_work,
                captures_done=progress.captures,
                results=progress.results,
                deaths=progress.deaths,
                quarantined=tuple(progress.quarantined[-20:]),
                problem=self._problem,
            )

    def drain(self, timeout_s: float) -> bool:
        """Wait until all that was told is done as far as it can be. Returns whether it is."""
        with self._change:
            self._change.wait_for(lambda: not self._at_work or self._stopped, timeout_s)
            return not self._at_work and not self._stopped

    def close(self) -> None:
        """Stop at once; what was in hand is computed at the next start. Safe to call twice."""
        with self._change:
            self._closing = True
        self._wake()
        if self._thread.is_alive():
            self._thread.join(30)
        self._backend.close()

    def _wake(self) -> None:
        self._backend.wake()
        with self._change:
            self._change.notify_all()

    # In its own thread

    def _run(self) -> None:
        try:
            declare(self._catalogue, self._declared)
            self._catalogue.forgive()
            while not self._closing:
                self._safe_turn()
        except BaseException as exc:
            with self._change:
                self._stopped = True
                self._problem = str(exc) if isinstance(exc, GreystepError) else f"{type(exc).__name__}: {exc}"
                self._change.notify_all()
            if not isinstance(exc, GreystepError):
                raise

    def _safe_turn(self) -> None:
        """One turn; a full disk or a locked catalogue is waited out."""
        try:
            self._turn()
            self._problem = ""
        except CatalogueError as exc:
            if not exc.retryable:
                raise
            with self._change:
                self._problem = str(exc)
                self._change.wait(_RETRY_S)

    def _turn(self) -> None:
        self._read_inbox()
        self._refill()
        self._scheduler.turn(_TURN_S)
        if self._scheduler.idle and not self._backlog:
            self._rest()

    def _read_inbox(self) -> None:
        with self._change:
            box, self._inbox = self._inbox, _Inbox(poked=False)
        try:
            if box.methods is not None:
                self._methods, self._declared = map(tuple, box.methods)
                self._scheduler.use(self._methods)
                declare(self._catalogue, self._declared)
                box.methods, box.poked = None, True
            while box.headers:
                lot = [box.headers[i] for i in range(min(_LOT, len(box.headers)))]
                self._take_in(lot)
                for _ in lot:
                    box.headers.popleft()
            while box.ended:
                self._end_run(box.ended[0])
                box.ended.popleft()
            if box.poked:
                self._backlog = deque(self._catalogue.backlog(self._scheduler.keys))
                box.poked = False
        finally:
            # What could not be done because the catalogue refused is done with a later turn.
            self._put_back(box)

    def _put_back(self, box: _Inbox) -> None:
        with self._change:
            self._inbox.headers.extendleft(reversed(box.headers))
            self._inbox.ended.extendleft(reversed(box.ended))
            self._inbox.poked |= box.poked
            if self._inbox.methods is None:
                self._inbox.methods = box.methods

    def _take_in(self, headers: Sequence[CaptureHeader]) -> None:
        """Into the catalogue; of a lot that holds a bad one, all others."""
        try:
            self._catalogue.add_captures(headers)
        except CatalogueError as exc:
            if exc.retryable:
                raise
            for header in headers:
                self._take_in_one(header)
        now = self._clock()
        runs = {h.meta.run for h in headers}
        self._last_s |= dict.fromkeys(runs, now)
        groups = {(h.meta.run, h.meta.group) for h in headers}
        powered = {h.meta.run for h in headers if h.meta.kind == "power"}
        for run in runs:
            found = self._catalogue.run_groups(run)
            self._scheduler.offer((g.row for g in found if run in powered or (run, g.group) in groups), first=True)

    def _take_in_one(self, header: CaptureHeader) -> None:
        try:
            self._catalogue.add_capture(header)
        except CatalogueError as exc:
            if exc.retryable:
                raise
            self._scheduler.progress.quarantined.append(str(exc))

    def _end_run(self, run: str) -> None:
        self._catalogue.mark_run_ended(run)
        self._last_s.pop(run, None)
        self._scheduler.offer((g.row for g in self._catalogue.run_groups(run)), first=True)

    def _refill(self) -> None:
        """A little of the backlog behind the new captures, enough that no worker waits."""
        while self._backlog and self._scheduler.waiting < 4 * self._backend.workers:
            self._scheduler.offer([self._backlog.popleft()])

    def _settled(self, group: GroupEntry) -> bool:
        """Whether no more captures of the group are expected."""
        if group.run_ended:
            return True
        return self._clock() - self._last_s.get(group.run, self._started_s) > self._idle_s

    def _rest(self) -> None:
        """Nothing to do: wait to be told something. Now and then look for runs that have fallen silent."""
        with self._change:
            if not self._inbox.empty and not self._closing:
                return
            self._at_work = False
            self._change.notify_all()
            if not self._closing and not self._change.wait(min(_NAP_S, self._idle_s / 2)):
                self._inbox.poked = True
