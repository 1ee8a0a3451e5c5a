"""Orders for faults: what shall go wrong, when, how often, and whether it did."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

Buffer = bytes | bytearray | memoryview

REPLY_KINDS: dict[str, dict[str, Any]] = {
    "silence": {},
    "garbage": {"seed": 1},
    "half": {},
    "wrong_length": {"delta": 1000},
    "disconnect": {},
    "drip": {"bytes": 1, "every_s": 0.05},
    "stale": {"delay_s": 0.5},
    "swapped": {},
}
"""Faults of a reply, with their parameters."""

EVENT_KINDS: dict[str, dict[str, Any]] = {
    "refuse": {"seconds": 1.0},
    "reboot": {"seconds": 0.3, "serial": "VB-X-9999", "firmware": "1.1"},
    "error_queue_full": {},
    "stuck_trigger": {},
    "other_instrument": {},
}
"""Faults of the instrument itself, with their parameters."""

KINDS = REPLY_KINDS | EVENT_KINDS

_numbers = itertools.count(1)


@dataclass
class FaultOrder:
    """One order."""

    instrument: str
    kind: str
    after: int = 0
    """Program messages that pass before it, counted from the order."""
    times: int = 1
    """How often it happens."""
    match: str = ""
    """Only messages that contain this text (any case), for instance TRAC."""
    parameters: dict[str, Any] = field(default_factory=dict)
    hits: int = 0
    """How often it has happened."""
    seen: int = 0
    """Program messages since the order."""
    number: int = field(default_factory=lambda: next(_numbers))

    def __post_init__(self) -> None:
        """Raises ValueError for an unknown kind or parameter."""
        if self.kind not in KINDS:
            raise ValueError(f"no fault {self.kind!r}; there are {', '.join(KINDS)}")
        unknown = set(self.parameters) - set(KINDS[self.kind])
        if unknown:
            raise ValueError(
                f"{self.kind} has no {', '.join(sorted(unknown))}; it has {', '.join(KINDS[self.kind]) or 'no parameters'}"
            )
        self.parameters = KINDS[self.kind] | self.parameters

    def is_due(self, message: str) -> bool:
        """Whether it happens with this message."""
        return self.seen > self.after and self.hits < self.times and self.match.upper() in message.upper()

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for JSON."""
        return {
            "number": self.number,
            "instrument": self.instrument,
            "kind": self.kind,
            "after": self.after,
            "times": self.times,
            "match": self.match,
            "hits": self.hits,
            "seen": self.seen,
            **self.parameters,
        }


class FaultList:
    """The faults ordered for one instrument."""

    def __init__(self) -> None:
        self.orders: list[FaultOrder] = []

    def add(self, order: FaultOrder) -> None:
        """Order one."""
        self.orders.append(order)

    def count(self) -> None:
        """A program message came."""
        for order in self.orders:
            order.seen += 1

    def due(self, kinds: Iterable[str], message: str) -> FaultOrder | None:
        """The first order of these kinds that is due with this message; whoever carries it out counts the hit."""
        return next((order for order in self.orders if order.kind in kinds and order.is_due(message)), None)
