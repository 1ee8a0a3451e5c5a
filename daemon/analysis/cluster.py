"""Work on a Dask cluster: the same engine in the cluster's workers, which read the raw files from shared storage.

Results come back to the one writer. `distributed` is imported when a cluster is asked for (extra `cluster`).
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError
from typing import Any, Final

from greystep.schema.errors import GreystepError

from .backend import Batch, Done, Setup
from .engine import Engine
from .step import Death, Step
from .worker import answer, make_engine

_AHEAD: Final = 2
"""Batches handed out a worker: one in work, one waiting there, so that the way over the network costs nothing."""
_RECOUNT_S: Final = 2.0
_DESERTED_S: Final = 120.0
_FETCH_S: Final = 5.0
_LOOK_S: Final = 0.25
_ENGINES = threading.local()


class Cluster:
    """Carries batches to the workers of a Dask scheduler."""

    def __init__(
        self,
        address: str,
        setup: Setup,
        *,
        factory: Callable[..., Engine] = make_engine,
        timeout_s: float = 10.0,
    ) -> None:
        """Connect.

        Args:
            address: of the scheduler, such as `tcp://host:8786`.
            setup: folders as the workers see them.
            factory: makes the engine in a worker.
            timeout_s: for the connection, and for the first worker to appear.

        Raises:
            GreystepError: `distributed` is missing, no scheduler answers, or it has no worker.
        """
        try:
            from distributed import Client
        except ImportError as exc:
            raise GreystepError("a cluster needs the package distributed", todo="pip install 'greystep[cluster]'") from exc
        self._setup = setup
        self._factory = factory
        self._hand: dict[str, tuple[Batch, Any]] = {}
        self._ahead = _AHEAD
        self._news, self._woken = threading.Event(), threading.Event()
        self._count, self._counted_s, self._peopled_s = 0, -math.inf, time.monotonic()
        try:
            self._client = Client(address, timeout=timeout_s, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as exc:
            raise GreystepError("no scheduler answers", where=address, todo="start one with 'dask scheduler'") from exc
        try:
            self._client.wait_for_workers(1, timeout=timeout_s)
        except TimeoutError as exc:
            self._client.close()
            raise GreystepError(
                "the scheduler has no worker", where=address, todo=f"start one with 'dask worker {address}'"
            ) from exc

    @property
    def workers(self) -> int:
        """Threads of all workers that were there a moment ago; 1 at least."""
        now = time.monotonic()
        if now - self._counted_s > _RECOUNT_S:
            self._count, self._counted_s = int(sum(self._client.nthreads().values())), now
            if self._count:
                self._peopled_s = now
        return max(1, self._count)

    def room(self) -> int:
        """How many batches can be taken now."""
        return self._ahead * self.workers - len(self._hand)

    def submit(self, batch: Batch) -> None:
        """Hand a batch to the scheduler, which gives it to another worker when one is lost."""
        future = self._client.submit(perform, self._setup, self._factory, batch, pure=False)
        self._hand[future.key] = (batch, future)
        # Only a hint: after a worker's death not every call came. `wait` looks at the states themselves.
        future.add_done_callback(lambda _: self._news.set())

    def wait(self, timeout_s: float) -> list[Done]:
        """Batches that came back; returns early when there is one, or when woken.

        Raises:
            GreystepError: the scheduler is gone, or there has been no worker for two minutes.
        """
        end = time.monotonic() + timeout_s
        while True:
            self._news.clear()
            landed = [key for key, (_, future) in self._hand.items() if future.status != "pending"]
            left = end - time.monotonic()
            if landed or left <= 0 or self._woken.is_set():
                break
            self._news.wait(min(left, _LOOK_S))
        self._woken.clear()
        self._check_people(bool(landed))
        return [done for key in landed if (done := self._receive(key))]

    def _check_people(self, alive: bool) -> None:
        if alive or not self._hand:
            self._peopled_s = time.monotonic()
        elif self.workers and time.monotonic() - self._peopled_s > _DESERTED_S:
            raise GreystepError("the cluster has no worker left", todo="start one and run it again")

    def _receive(self, key: str) -> Done | None:
        """What came back. A result that was lost with its worker is ordered again: None."""
        batch, future = self._hand.pop(key)
        if future.status == "error":
            # The scheduler gives up a task after several workers died with it in hand, also when it only waited there: from
            # now on nothing waits behind what may be the cause.
            self._ahead = 1
            return Done(batch, death=Death(Step(), str(future.exception())))
        try:
            kind, content = future.result(timeout=_FETCH_S)
        except (TimeoutError, CancelledError) as exc:
            if self._client.status != "running":
                raise GreystepError(
                    "the connection to the scheduler was lost", todo="run it again: what is stored is not computed twice"
                ) from exc
            future.cancel()
            self.submit(batch)
            return None
        if kind == "done":
            return Done(batch, content)
        return Done(batch, death=Death(Step(), content, blameless=kind == "broken"))

    def wake(self) -> None:
        """End a wait from another thread."""
        self._woken.set()
        self._news.set()

    def close(self) -> None:
        """Give up what is in hand and disconnect; the cluster stays. Safe to call twice."""
        if self._hand:
            self._client.cancel([future for _, future in self._hand.values()])
            self._hand.clear()
        self._client.close()


def perform(setup: Setup, factory: Callable[..., Engine], batch: Batch) -> tuple[str, Any]:
    """Runs in a worker of the cluster; each of its threads keeps an engine."""
    kept = getattr(_ENGINES, "kept", None)
    if kept is None or kept[0] != (setup, factory):
        try:
            kept = _ENGINES.kept = ((setup, factory), factory(setup))
        except Exception as exc:
            return "broken", f"{type(exc).__name__}: {exc}"
    return answer(kept[1], batch)
