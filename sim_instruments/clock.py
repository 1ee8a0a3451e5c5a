"""The one simulated clock of the bench.

Everything that happens on the bench is a function of simulated time, so an accelerated bench gives the same records
as one in real time. Three ways of running:

- a speed: simulated seconds are `speed` times host seconds;
- ``max``: as real time, but the clock jumps to the next event as soon as a client waits for it;
- ``step``: the clock stands still but for those jumps, so that a given dialogue always gives the same records.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable


class Clock:
    """Simulated time in s since the bench started, and waiting for it."""

    def __init__(self, speed: float | str = 1.0, host_clock: Callable[[], float] = time.monotonic) -> None:
        """`speed` is a positive number, "max" or "step". Raises ValueError for anything else."""
        self.jumps = speed in ("max", "step")
        self._rate = {"max": 1.0, "step": 0.0}[str(speed)] if self.jumps else float(speed)
        if not self.jumps and not (math.isfinite(self._rate) and self._rate > 0):
            raise ValueError(f"speed must be a positive number, 'max' or 'step', not {speed!r}")
        self._host_clock = host_clock
        self._host_start = host_clock()
        self._jumped = 0.0
        self._changed: asyncio.Event | None = None

    def now(self) -> float:
        """Simulated time, s."""
        return (self._host_clock() - self._host_start) * self._rate + self._jumped

    def host_now(self) -> float:
        """Host time, s: for guards against a dead host, which have nothing to do with simulated time."""
        return self._host_clock()

    def jump_to(self, t_s: float) -> None:
        """Move simulated time forward to `t_s`, where this clock may jump; never back."""
        if self.jumps and math.isfinite(t_s):
            self._jumped += max(0.0, t_s - self.now())

    def skip(self, seconds: float) -> None:
        """Move simulated time forward by order of a test, however the clock runs."""
        self._jumped += max(0.0, seconds)
        self.announce()

    def announce(self) -> None:
        """Something was planned or dropped: whoever waits looks again."""
        if self._changed is not None:
            self._changed.set()
            self._changed = None

    async def until(self, t_s: float) -> None:
        """Wait for simulated time `t_s`, or until something is announced, whichever is first."""
        self.jump_to(t_s)
        left = t_s - self.now()
        if left <= 0:
            return
        if self._changed is None:
            self._changed = asyncio.Event()
        timeout = left / self._rate if self._rate and math.isfinite(left) else None
        try:
            await asyncio.wait_for(self._changed.wait(), timeout)
        except TimeoutError:
            return

    async def sleep_until(self, t_s: float) -> None:
        """Wait for simulated time `t_s`, whatever is announced in between."""
        while self.now() < t_s:
            await self.until(t_s)
