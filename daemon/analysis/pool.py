"""A pool of spawned processes that knows which work each one has in hand, so that a death harms no other work.

The standard executor fails everything in flight when one process dies and can't end a process that hangs.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import threading
import time
from collections.abc import Callable
from multiprocessing.connection import Connection, wait
from typing import Any, Final

from .backend import Batch, Done, Setup, worker_count
from .engine import Engine
from .step import Death, Step
from .worker import MARK_SIZE, make_engine, read_mark, serve

STALL_S: Final = 300.0
"""A worker that announces nothing new for so long hangs, and is ended."""
_START_S: Final = 60.0


class _Worker:
    def __init__(self, context: Any, setup: Setup, factory: Any) -> None:
        self.connection, theirs = context.Pipe()
        self.mark = context.RawArray("c", MARK_SIZE)
        self.process = context.Process(
            target=serve, args=(theirs, self.mark, setup, factory), name="greystep-analysis", daemon=True
        )
        self.process.start()
        theirs.close()
        self.batch: Batch | None = None
        self.seen = (0, 0.0)

    def hangs(self, now: float, stall_s: float) -> bool:
        """Whether nothing new was announced for too long."""
        count = read_mark(self.mark)[0]
        if count != self.seen[0]:
            self.seen = (count, now)
        # A process that is still loading its plugins has more time than one that computes.
        limit = stall_s if count else max(stall_s, _START_S)
        return self.batch is not None and now - self.seen[1] > limit

    def end(self) -> None:
        """Kill if needed, and reap."""
        with contextlib.suppress(OSError):
            self.connection.close()
        self.process.join(0.5)
        if self.process.is_alive():
            self.process.kill()
            self.process.join(5)


class Pool:
    """Spawned workers, each with one batch at a time. Used by one thread; only `wake` may come from others."""

    def __init__(
        self,
        setup: Setup,
        workers: int | None = None,
        *,
        factory: Callable[[Setup, Callable[[Step], None]], Engine] = make_engine,
        stall_s: float = STALL_S,
    ) -> None:
        """Processes are started with the first batches."""
        self.workers = worker_count(workers)
        self._context = multiprocessing.get_context("spawn")
        self._setup = setup
        self._factory = factory
        self._stall_s = stall_s
        self._alive: list[_Worker] = []
        self._woken, self._waker = self._context.Pipe(duplex=False)
        self._signalled = threading.Event()
        self._closed = False

    def room(self) -> int:
        """Workers without a batch, those that could be started included."""
        return self.workers - sum(w.batch is not None for w in self._alive)

    def submit(self, batch: Batch) -> None:
        """Give a batch to a free worker."""
        worker = next((w for w in self._alive if w.batch is None), None)
        if worker is None:
            worker = _Worker(self._context, self._setup, self._factory)
            self._alive.append(worker)
        worker.batch = batch
        worker.seen = (read_mark(worker.mark)[0], time.monotonic())
        # A worker that died while idle is noticed by `wait`, which then tells of this batch.
        with contextlib.suppress(OSError):
            worker.connection.send(batch)

    def wait(self, timeout_s: float) -> list[Done]:
        """Batches that came back or whose worker died; returns early when there is one, or when woken."""
        busy = {w.connection: w for w in self._alive if w.batch is not None}
        for ready in wait([self._woken, *busy], timeout=max(0.0, min(timeout_s, self._stall_s / 4))):
            if ready is self._woken:
                self._signalled.clear()
                self._woken.recv_bytes()
        out = [done for c, w in busy.items() if c.poll() and (done := self._receive(w))]
        now = time.monotonic()
        out += [self._bury(w, "hung") for w in busy.values() if w.batch is not None and w.hangs(now, self._stall_s)]
        return out

    def _receive(self, worker: _Worker) -> Done | None:
        connection: Connection[Any, Any] = worker.connection
        try:
            kind, content = connection.recv()
        except (EOFError, OSError):
            return self._bury(worker, "died")
        batch, worker.batch = worker.batch or (), None
        if kind == "done":
            return Done(batch, content)
        if kind == "broken":
            self._alive.remove(worker)
            worker.end()
            return Done(batch, death=Death(Step(), content, blameless=True))
        return Done(batch, death=Death(read_mark(worker.mark)[1], content))

    def _bury(self, worker: _Worker, how: str) -> Done:
        step = read_mark(worker.mark)[1]
        batch, worker.batch = worker.batch or (), None
        self._alive.remove(worker)
        if how == "hung":
            worker.process.kill()
        worker.end()
        code = worker.process.exitcode
        words = f"the process {how}" + (f" (exit code {code})" if how == "died" and code is not None else "")
        return Done(batch, death=Death(step, words, blameless=not step.verb))

    def doing(self) -> list[Step]:
        """What each busy worker announced last."""
        return [read_mark(w.mark)[1] for w in self._alive if w.batch is not None]

    def wake(self) -> None:
        """End a wait from another thread."""
        # One signal at a time: a pipe full of them would stop the thread that gives them.
        if not self._signalled.is_set():
            self._signalled.set()
            with contextlib.suppress(OSError):
                self._waker.send_bytes(b"!")

    def close(self) -> None:
        """End the workers at once; safe to call twice."""
        if self._closed:
            return
        self._closed = True
        for worker in self._alive:
            if worker.batch is not None:
                worker.process.kill()
            with contextlib.suppress(OSError):
                worker.connection.close()
        for worker in self._alive:
            worker.end()
        self._alive.clear()
        self._woken.close()
        self._waker.close()
