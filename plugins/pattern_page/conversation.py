"""What the service and the page tell each other, as data: the order that stands, and what the page has reported."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from greystep.schema.model import Model
from pydantic import Field

MAX_LIST = 4096

Awake = Literal["", "lock", "video"]
"""How a page keeps the screen on: by the browser's promise, by a video that plays (enough for most devices), or not at all."""


class Report(Model):
    """What a page sends. Everything is bounded: whoever knows the address may send it."""

    page: Annotated[str, Field(pattern=r"^[a-z0-9]{1,32}$")]
    """Random name of this loading of the page."""
    kind: Literal["ready", "shown", "played", "rate", "gone"]
    """ready: Start was touched; shown: a level is on the screen; played: a list is over; rate: frame times; gone: closed"""
    seq: Annotated[int, Field(ge=0, le=10**9)] = 0
    """Number of the order that this answers."""
    frame_ms: Annotated[tuple[float, ...], Field(max_length=MAX_LIST)] = ()
    """For `rate`: steps between frames in ms; for `played`: frame time of each change since the first, in ms."""
    width: Annotated[int, Field(ge=0, le=100_000)] = 0
    height: Annotated[int, Field(ge=0, le=100_000)] = 0
    awake: Awake = ""
    """How the screen is kept on."""


@dataclass(frozen=True)
class Order:
    """What the page is to do. The newest one stands."""

    seq: int
    levels: tuple[int, ...]
    """One level to show now, or a list to play."""
    dwell_s: float = 0.0
    """For a list."""

    def message(self, blank_s: float) -> str:
        """As sent to the page: `number;blank in ms;dwell in ms;level,level,...`."""
        return f"{self.seq};{blank_s * 1e3:g};{self.dwell_s * 1e3:.6f};{','.join(map(str, self.levels))}"


@dataclass
class _Page:
    """The page that answers now."""

    name: str = ""
    browser: str = ""
    ready: bool = False
    last_s: float = 0.0
    size: tuple[int, int] = (0, 0)
    awake: Awake = ""
    period_ms: float = 0.0
    answered: int = 0
    played_ms: tuple[float, ...] = field(default_factory=tuple)


class Conversation:
    """Shared by the driver's thread and the server's: every access under one lock."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        """Args: clock: monotonic seconds."""
        self._clock = clock
        self._changed = threading.Condition()
        self._order = Order(0, (0,))
        self._page = _Page()
        self.on_order: Callable[[], None] = lambda: None
        """Called after each new order; wakes the server's waiting answers."""

    @property
    def order(self) -> Order:
        """The order that stands."""
        with self._changed:
            return self._order

    def give(self, levels: Sequence[int], dwell_s: float = 0.0) -> int:
        """Give a new order; returns its number."""
        with self._changed:
            self._order = Order(self._order.seq + 1, tuple(levels), dwell_s)
            seq = self._order.seq
        self.on_order()
        return seq

    def loaded(self, browser: str) -> None:
        """The page was fetched; its name comes with its first question."""
        with self._changed:
            self._page.browser = browser

    def asked(self, page: str) -> Literal["known", "other", "unknown"]:
        """A page asks for orders. The page that was started last is the one that counts.

        Returns `unknown` when no page has reported yet, as after a restart of the service.
        """
        with self._changed:
            if not self._page.name:
                return "unknown"
            if page != self._page.name:
                return "other"
            self._page.last_s = self._clock()
            return "known"

    def told(self, report: Report) -> bool:
        """A page reports. Returns False when another page has taken over."""
        with self._changed:
            page = self._page
            if report.kind == "ready":
                page = self._page = _Page(report.page, page.browser, True, period_ms=page.period_ms)
            if report.page != page.name:
                return False
            page.last_s = self._clock()
            if report.width:
                page.size, page.awake = (report.width, report.height), report.awake
            if report.kind == "gone":
                page.ready = False
            elif report.kind == "rate" and report.frame_ms:
                page.period_ms = _period(report.frame_ms)
            elif report.kind in ("shown", "played"):
                page.answered = max(page.answered, report.seq)
                if report.kind == "played":
                    page.played_ms = report.frame_ms
            self._changed.notify_all()
            return True

    def wait_ready(self, timeout_s: float, silent_s: float) -> bool:
        """Wait until a page that was started answers; False after the time-out."""
        return self._wait(lambda: self._page.ready and self._clock() - self._page.last_s < silent_s, timeout_s)

    def wait_answer(self, seq: int, timeout_s: float) -> bool:
        """Wait until the page has done an order; False after the time-out."""
        return self._wait(lambda: self._page.answered >= seq, timeout_s)

    def _wait(self, done: Callable[[], bool], timeout_s: float) -> bool:
        end = self._clock() + timeout_s
        with self._changed:
            while not done():
                left = end - self._clock()
                if left <= 0:
                    return False
                self._changed.wait(min(left, 0.1))
            return True

    def facts(self) -> dict[str, Any]:
        """What is known of the page, for the archive."""
        with self._changed:
            page = self._page
            return {
                "browser": page.browser,
                "width": page.size[0],
                "height": page.size[1],
                "kept_awake": page.awake,
                "refresh_rate_hz": 1e3 / page.period_ms if page.period_ms else 0.0,
                "ready": page.ready,
                "silent_s": self._clock() - page.last_s if page.last_s else -1.0,
                "played_ms": page.played_ms,
            }


def _period(steps_ms: Sequence[float]) -> float:
    """Frame period: mean of the steps within 30 % of their median, so that missed frames don't count."""
    ordered = sorted(s for s in steps_ms if 0.2 < s < 1000)
    if len(ordered) < 10:
        return 0.0
    middle = ordered[len(ordered) // 2]
    near = [s for s in ordered if abs(s - middle) < 0.3 * middle]
    return sum(near) / len(near)
