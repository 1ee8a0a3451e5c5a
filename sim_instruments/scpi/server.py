"""TCP server of one instrument: newline-terminated program messages in, response messages out.

Written on bare non-blocking sockets: a block of many megabytes goes out by `sock_sendall` of memory views, with no copy in
between. A socket has no read request, so the server applies the message exchange rules of IEEE 488.2 to what it can
see: a program message that arrives while the answer to a query is still being prepared interrupts it (-410), and the
answer is dropped. Each connection has its own input and output; the instrument behind them is one.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket

from ..faults.order import Faults
from .errors import ScpiError
from .instrument import Buffer, Instrument

RECEIVE_BYTES = 65536
MAX_MESSAGE_BYTES = 1 << 20
"""A program message longer than this is thrown away with -363."""
SEND_BUFFER_BYTES = 4 << 20


class InstrumentServer:
    """Listens on one port and serves one instrument."""

    def __init__(self, instrument: Instrument, faults: Faults, host: str, port: int) -> None:
        self.instrument = instrument
        self.faults = faults
        self.host = host
        self.port = port
        self._listener: socket.socket | None = None
        self._acceptor: asyncio.Task[None] | None = None
        self._connections: dict[asyncio.Task[None], socket.socket] = {}

    @property
    def resource(self) -> str:
        """VISA resource name."""
        return f"TCPIP0::{self.host}::{self.port}::SOCKET"

    def listen(self) -> None:
        """Open the port (0: any free one, kept from then on). Raises OSError."""
        family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((self.host, self.port))
            listener.listen(16)
        except OSError:
            listener.close()
            raise
        listener.setblocking(False)
        self.port = listener.getsockname()[1]
        self._listener = listener
        self._acceptor = asyncio.get_running_loop().create_task(self._accept(listener))

    async def refuse_for(self, seconds: float) -> None:
        """Close the port and all connections; listen again after some host seconds."""
        await self.close()
        await asyncio.sleep(seconds)
        self.listen()

    async def close(self) -> None:
        """Close the port and all connections."""
        if self._acceptor is not None:
            self._acceptor.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._acceptor
            self._acceptor = None
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        await self.drop_connections()

    async def drop_connections(self) -> None:
        """Close all connections but the one that asks for it."""
        mine = asyncio.current_task()
        others = [task for task in self._connections if task is not mine]
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    async def _accept(self, listener: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            peer, _ = await loop.sock_accept(listener)
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
            peer.setblocking(False)
            task = loop.create_task(Connection(self, peer).serve())
            self._connections[task] = peer
            task.add_done_callback(lambda done: self._connections.pop(done, None))


class Connection:
    """One client."""

    def __init__(self, server: InstrumentServer, peer: socket.socket) -> None:
        self.server = server
        self.peer = peer
        self.pending: asyncio.Queue[bytes] = asyncio.Queue()
        self.arrived = asyncio.Event()

    async def serve(self) -> None:
        """Until the client goes away."""
        loop = asyncio.get_running_loop()
        reader = loop.create_task(self._read())
        worker = loop.create_task(self._work())
        try:
            await asyncio.wait({reader, worker}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (reader, worker):
                task.cancel()
            await asyncio.gather(reader, worker, return_exceptions=True)
            self.peer.close()

    async def _read(self) -> None:
        loop = asyncio.get_running_loop()
        rest = b""
        with contextlib.suppress(ConnectionError):
            while data := await loop.sock_recv(self.peer, RECEIVE_BYTES):
                *messages, rest = (rest + data).split(b"\n")
                if len(rest) > MAX_MESSAGE_BYTES:
                    self.server.instrument.status.report(ScpiError(-363))
                    rest = b""
                for message in messages:
                    self.pending.put_nowait(message)
                    self.arrived.set()

    async def _work(self) -> None:
        with contextlib.suppress(ConnectionError):
            while True:
                message = await self.pending.get()
                if self.pending.empty():
                    self.arrived.clear()
                response = await self._answer(message)
                if response:
                    await self._send(response)

    async def _answer(self, message: bytes) -> list[Buffer]:
        """Run a message; drop its answer when the client does not wait for it."""
        instrument = self.server.instrument
        try:
            text = message.decode("ascii").rstrip("\r")
        except UnicodeDecodeError:
            instrument.status.report(ScpiError(-101, "not ASCII"))
            return []
        running = asyncio.ensure_future(instrument.execute(text))
        await asyncio.sleep(0)
        if not running.done() and not await self._finished_before_next_message(running, "?" in text):
            instrument.status.report(ScpiError(-410))
            return []
        response = running.result()
        if response and not self.pending.empty():
            instrument.status.report(ScpiError(-410))
            return []
        return response

    async def _finished_before_next_message(self, running: asyncio.Future[list[Buffer]], is_query: bool) -> bool:
        """Wait for a message that takes time; a query ends when the client sends something else instead of reading."""
        waiting: set[asyncio.Future[object]] = {running}  # type: ignore[arg-type]
        arrived = asyncio.ensure_future(self.arrived.wait())
        if is_query:
            waiting.add(arrived)  # type: ignore[arg-type]
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            arrived.cancel()
            finished = running.done()
            if not finished:
                running.cancel()
        return finished

    async def _send(self, response: list[Buffer]) -> None:
        await self.server.faults.deliver(self.server, self, [*response, b"\n"])

    async def put(self, data: Buffer) -> None:
        """Send bytes as they are."""
        await asyncio.get_running_loop().sock_sendall(self.peer, data)
