"""The side door: a TCP port on which tests ask for the truth and order faults. Drivers never use it.

One JSON object a line in, one out: {"op": "...", ...} -> {"ok": true, ...} or {"ok": false, "error": "..."}.
"""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from .orders import ORDERS, OrderError

if TYPE_CHECKING:
    from .bench import Bench

LINE_BYTES = 1 << 20


class SideDoor:
    """The server."""

    def __init__(self, bench: Bench, host: str, port: int) -> None:
        self.bench = bench
        self.host = host
        self.port = port
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.StreamWriter] = set()

    async def listen(self) -> None:
        """Open the port. Raises OSError."""
        self._server = await asyncio.start_server(self._serve, self.host, self.port, limit=LINE_BYTES)
        self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Close the port and its connections."""
        if self._server is not None:
            self._server.close()
            for writer in self._clients:
                writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients.add(writer)
        try:
            while line := await reader.readline():
                writer.write(json.dumps(await self._reply(line)).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, ValueError, asyncio.CancelledError):
            pass  # The client went away or sent a line without end, or the bench ends.
        finally:
            self._clients.discard(writer)
            writer.close()

    async def _reply(self, line: bytes) -> dict[str, Any]:
        try:
            order = json.loads(line)
            if not isinstance(order, dict) or order.get("op") not in ORDERS:
                raise OrderError(f"op must be one of {', '.join(ORDERS)}")
            arguments = {key: value for key, value in order.items() if key != "op"}
            result = ORDERS[order["op"]](self.bench, **arguments)
            if asyncio.iscoroutine(result):
                result = await result
        except (OrderError, KeyError, IndexError, TypeError, ValueError) as error:
            return {"ok": False, "error": f"{type(error).__name__}: {error}"}
        return {"ok": True, **result}
