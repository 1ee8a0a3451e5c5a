"""One line of the table, and how times are taken."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """What was measured."""

    what: str
    unit: str
    ours: float
    script: float | None = None
    """The plain-script way, in the same unit."""
    limit: float | None = None
    limit_is: str = ""
    """What the limit is of."""
    goal: str = ""
    met: bool | None = None
    note: str = ""
    lower_is_better: bool = False

    def ratio(self, other: float | None) -> float | None:
        """How many times better than the other."""
        if not other or not self.ours:
            return None
        return other / self.ours if self.lower_is_better else self.ours / other


def best_s(job: Callable[[], object], tries: int = 5) -> float:
    """Shortest of several times: noise of a shared machine only adds."""
    best = float("inf")
    for _ in range(tries):
        began = time.perf_counter()
        job()
        best = min(best, time.perf_counter() - began)
    return best
