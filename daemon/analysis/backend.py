"""What carries work: the calling process, a pool of processes, or a cluster. All run the same `Engine`."""

from __future__ import annotations

import os
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from .engine import Engine
from .step import Death
from .work import Outcome, Work

Batch = tuple[Work, ...]


@dataclass(frozen=True)
class Setup:
    """How a process makes its engine; plain data."""

    archive: str
    """Folder of the raw captures, as this process sees it."""
    prepared: str = ""
    """Folder of the prepared traces; empty: none are kept."""
    prepared_limit_bytes: int = 20 << 30
    memory_limit_bytes: int = 4 << 30
    """Address space that a worker may use; 0: no limit."""


@dataclass(frozen=True)
class Done:
    """A batch that came back."""

    batch: Batch
    outcomes: tuple[Outcome, ...] = ()
    """One for each work of the batch, unless the batch failed."""
    death: Death | None = None


class Backend(Protocol):
    """Carries batches; used by one thread."""

    workers: int

    def room(self) -> int:
        """How many batches can be taken now."""

    def submit(self, batch: Batch) -> None:
        """Take a batch."""

    def wait(self, timeout_s: float) -> list[Done]:
        """Batches that came back; returns early when there is one, or when woken."""

    def wake(self) -> None:
        """End a wait from another thread."""

    def close(self) -> None:
        """Stop; what is in hand is given up."""


class Serial:
    """Works in the calling thread; for tests and tiny archives."""

    workers = 1

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._done: deque[Done] = deque()

    def room(self) -> int:
        """One at a time."""
        return 1 - len(self._done)

    def submit(self, batch: Batch) -> None:
        """Does the work."""
        self._done.append(Done(batch, tuple(self._engine.perform(w) for w in batch)))

    def wait(self, timeout_s: float) -> list[Done]:
        """What was done."""
        del timeout_s
        out = list(self._done)
        self._done.clear()
        return out

    def wake(self) -> None:
        """Nothing waits."""

    def close(self) -> None:
        """Nothing to stop."""


def worker_count(asked: int | None = None) -> int:
    """Processes to start: what was asked for, else the processors that this process may use."""
    if asked:
        return max(1, asked)
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, usable)


def home_setup(home: Path, **changes: int) -> Setup:
    """The setup for a home folder."""
    return Setup(str(home / "raw"), str(home / "prepared"), **changes)
