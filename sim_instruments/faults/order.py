"""Delivery of replies, as ordered: whole and at once, or wrong in one of the ways that instruments go wrong."""

from __future__ import annotations

from typing import Any, Protocol

Buffer = bytes | bytearray | memoryview
SMALL_REPLY_BYTES = 65536


class Outlet(Protocol):
    """Where the bytes of a reply go."""

    async def put(self, data: Buffer) -> None:
        """Send bytes as they are."""


class Faults:
    """The faults ordered for one instrument."""

    async def deliver(self, server: Any, outlet: Outlet, reply: list[Buffer]) -> None:
        """Send a reply."""
        await send_whole(outlet, reply)


async def send_whole(outlet: Outlet, reply: list[Buffer]) -> None:
    """Send a reply in as few pieces as its size allows: a small one at once, the parts of a large one uncopied."""
    if sum(len(part) for part in reply) <= SMALL_REPLY_BYTES:
        await outlet.put(b"".join(reply))
        return
    for part in reply:
        await outlet.put(part)
