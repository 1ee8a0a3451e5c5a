"""The one thread that touches a session.

VISA sessions are not thread-safe (two threads on one session gave 854 wrong answers of 1,000 without an exception) and some
calls never return. So each session has a thread of its own; the caller waits by the monotonic clock and leaves a thread
behind that does not come back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as NotDone
from queue import SimpleQueue
from typing import Any, TypeVar

from .link import remaining

T = TypeVar("T")
Job = tuple[Callable[[], Any], "Future[Any]"]


class OwnerStuck(Exception):  # noqa: N818
    """The job did not come back; the thread is lost and must be replaced."""


class OwnerThread:
    """Runs jobs one after another in one daemon thread."""

    def __init__(self, name: str) -> None:
        self._jobs: SimpleQueue[Job | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def run(self, job: Callable[[], T], deadline: float) -> T:
        """Result of the job, or its exception. Raises OwnerStuck when it is not done by the deadline (monotonic)."""
        future: Future[T] = Future()
        left = remaining(deadline)
        self._jobs.put((job, future))
        try:
            return future.result(left)
        except NotDone:
            # TimeoutError may also be what the job itself raised.
            if future.done() and not future.cancelled():
                return future.result()
            future.cancel()
            raise OwnerStuck("the VISA call does not come back") from None

    def stop(self, wait_s: float = 0.0) -> None:
        """Let the thread end after its current job; wait for it at most so long."""
        self._jobs.put(None)
        if wait_s and threading.current_thread() is not self._thread:
            self._thread.join(wait_s)

    def _work(self) -> None:
        while (entry := self._jobs.get()) is not None:
            job, future = entry
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(job())
            except BaseException as exc:
                future.set_exception(exc)
            # Hold no reference to the last job while waiting: it keeps a dead link and its buffers alive.
            del entry, job, future
