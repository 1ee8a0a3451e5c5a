"""Faults of a reply: how the bytes of a good answer reach the client badly."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable
from typing import Protocol

from .order import REPLY_KINDS, Buffer, FaultList, FaultOrder

SMALL_REPLY_BYTES = 65536


class Outlet(Protocol):
    """The connection that a reply goes to."""

    last_reply: list[Buffer]
    """The reply before, where answers have begun to slip."""

    async def put(self, data: Buffer) -> None:
        """Send bytes as they are."""

    def hang_up(self) -> None:
        """Close the connection from this end."""

    def later(self, delay_s: float, reply: list[Buffer]) -> None:
        """Send a reply after a while, whatever is sent in between."""


async def deliver(faults: FaultList, outlet: Outlet, message: str, reply: list[Buffer]) -> None:
    """Send a reply to `message`, as ordered."""
    order = faults.due(REPLY_KINDS, message)
    if order is None or (order.kind == "wrong_length" and not any(bytes(part[:1]) == b"#" for part in reply)):
        outlet.last_reply = reply
        await send_whole(outlet, reply)
        return
    order.hits += 1
    await _FAULTS[order.kind](order, outlet, reply)


async def send_whole(outlet: Outlet, reply: list[Buffer]) -> None:
    """Send a reply in as few pieces as its size allows: a small one at once, the parts of a large one uncopied."""
    if sum(len(part) for part in reply) <= SMALL_REPLY_BYTES:
        await outlet.put(b"".join(reply))
        return
    for part in reply:
        await outlet.put(part)


async def _silence(order: FaultOrder, outlet: Outlet, reply: list[Buffer]) -> None:
    """Nothing is sent."""


async def _garbage(order: FaultOrder, outlet: Outlet, reply: list[Buffer]) -> None:
    """Random bytes of about the same length; the line still ends, so that the client gets something."""
    length = min(sum(len(part) for part in reply), SMALL_REPLY_BYTES)
    await outlet.put(random.Random(order.parameters["seed"]).randbytes(max(4, length)) + b"\n")


async def _half(order: FaultOrder, outlet: Outlet, reply: list[Buffer]) -> None:
    """The first half, and then nothing; the connection stays open."""
    whole = b"".join(reply)
    await outlet.put(whole[: len(whole) // 2])


async def _wrong_length(order: FaultOrder, outlet: Outlet, reply: list[Buffer]) -> None:
    """A block whose header announces more bytes (or, with a negative delta, fewer) than follow."""
    whole = b"".join(reply)
    start = whole.index(b"#")  # other answers may stand before it in a compound message
    digits = int(whole[start + 1 : start + 2])
    end = start + 2 + digits
    stated = str(max(0, int(whole[start + 2 : end]) + int(order.parameters["delta"]))).encode()
    await outlet.put(whole[:start] + b"#" + str(len(stated)).encode() + stated + whole[end:])


async def _disconnect(order: FaultOrder, outlet: Outlet, reply: list[Buffer]) -> None:
    """The first half, then the connection is closed."""
    await _half(order, outlet, reply)
    outlet.hang_up()


async def _drip(order: FaultOrder, outlet: Outlet, reply: list[Buffer]) -> None:
    """A few bytes at a time."""
    whole, size = b"".join(reply), max(1, int(order.parameters["bytes"]))
    for start in range(0, len(whole), size):
        await outlet.put(whole[start : start + size])
        await asyncio.sleep(float(order.parameters["every_s"]))


async def _stale(order: FaultOrder, outlet: Outlet, reply: list[Buffer]) -> None:
    """The whole reply, but late: other answers may overtake it."""
    outlet.later(float(order.parameters["delay_s"]), reply)


async def _swapped(order: FaultOrder, outlet: Outlet, reply: list[Buffer]) -> None:
    """Answers slip by one: the client gets the answer of the query before, and this one next time."""
    before, outlet.last_reply = outlet.last_reply, reply
    await send_whole(outlet, before)


_FAULTS: dict[str, Callable[[FaultOrder, Outlet, list[Buffer]], Awaitable[None]]] = {
    "silence": _silence,
    "garbage": _garbage,
    "half": _half,
    "wrong_length": _wrong_length,
    "disconnect": _disconnect,
    "drip": _drip,
    "stale": _stale,
    "swapped": _swapped,
}
