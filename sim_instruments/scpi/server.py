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

from ..faults.events import happen
from ..faults.order import FaultList
from ..faults.replies import deliver, send_whole
from .errors import ScpiError
from .exchange import MessageExchange
from .instrument import Buffer, Instrument

RECEIVE_BYTES = 65536
MAX_MESSAGE_BYTES = 1 << 20
"""A program message longer than this is thrown away with -363."""
QUICK_ACKNOWLEDGE: int | None = getattr(socket, "TCP_QUICKACK", None)
SEND_BUFFER_BYTES = 4 << 20


class InstrumentServer:
    """Listens on one port and serves one instrument."""

    def __init__(self, instrument: Instrument, faults: FaultList, host: str, port: int) -> None:
        self.genuine = instrument
        """The instrument that belongs here."""
        self._identity = instrument.identity
        self.instrument = instrument
        """The one that answers now."""
        self.faults = faults
        self.host = host
        self.port = port
        self._listener: socket.socket | None = None
        self._acceptor: asyncio.Task[None] | None = None
        self._connections: set[asyncio.Task[None]] = set()
        self._absence: asyncio.Task[None] | None = None

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

    def leave_for(self, seconds: float) -> None:
        """Close the port and all connections; listen again after some host seconds."""
        if self._absence is None or self._absence.done():
            self._absence = asyncio.get_running_loop().create_task(self._be_absent(seconds))

    async def _be_absent(self, seconds: float) -> None:
        await self._hang_up()
        await asyncio.sleep(seconds)
        self.listen()

    async def restore(self) -> None:
        """The genuine instrument is back under its own name, and listens."""
        self.instrument = self.genuine
        self.genuine.identity = self._identity
        if self._absence is not None and not self._absence.done():
            self._absence.cancel()
            await asyncio.gather(self._absence, return_exceptions=True)
        if self._listener is None:
            self.listen()

    async def close(self) -> None:
        """Close the port and all connections for good."""
        if self._absence is not None:
            self._absence.cancel()
            await asyncio.gather(self._absence, return_exceptions=True)
        await self._hang_up()

    async def _hang_up(self) -> None:
        # The port first: a client that is hung up on must not get in again.
        if self._acceptor is not None and self._listener is not None:
            self._acceptor.cancel()
            await asyncio.gather(self._acceptor, return_exceptions=True)
            self._listener.close()
            self._acceptor = self._listener = None
        connections = list(self._connections)
        for connection in connections:
            connection.cancel()
        await asyncio.gather(*connections, return_exceptions=True)

    async def _accept(self, listener: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            peer, _ = await loop.sock_accept(listener)
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
            peer.setblocking(False)
            task = loop.create_task(Connection(self, peer).serve())
            self._connections.add(task)
            task.add_done_callback(self._connections.discard)


class Connection:
    """One client."""

    def __init__(self, server: InstrumentServer, peer: socket.socket) -> None:
        self.server = server
        self.peer = peer
        self.last_reply: list[Buffer] = [b"\n"]
        self._exchange = MessageExchange(server.instrument.status)
        self._pending: asyncio.Queue[bytes] = asyncio.Queue()
        self._arrived = asyncio.Event()
        self._late: set[asyncio.Task[None]] = set()
        self._hung_up = False

    async def serve(self) -> None:
        """Until the client goes away."""
        loop = asyncio.get_running_loop()
        tasks = {loop.create_task(self._read()), loop.create_task(self._work())}
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks | self._late:
                task.cancel()
            await asyncio.gather(*tasks, *self._late, return_exceptions=True)
            self.peer.close()

    async def _read(self) -> None:
        loop = asyncio.get_running_loop()
        rest = b""
        with contextlib.suppress(ConnectionError):
            while data := await loop.sock_recv(self.peer, RECEIVE_BYTES):
                if QUICK_ACKNOWLEDGE is not None:
                    # A client that sends two short messages in a row waits up to 40 ms for this; the option does not last.
                    self.peer.setsockopt(socket.IPPROTO_TCP, QUICK_ACKNOWLEDGE, 1)
                *messages, rest = (rest + data).split(b"\n")
                if len(rest) > MAX_MESSAGE_BYTES:
                    self.server.instrument.status.report(ScpiError(-363))
                    rest = b""
                for message in messages:
                    self._pending.put_nowait(message)
                    self._arrived.set()

    async def _work(self) -> None:
        with contextlib.suppress(ConnectionError):
            while not self._hung_up:
                message = await self._pending.get()
                if self._pending.empty():
                    self._arrived.clear()
                await self._serve_message(message.rstrip(b"\r"))

    async def _serve_message(self, message: bytes) -> None:
        server, exchange = self.server, self._exchange
        exchange.message_arrives()
        try:
            text = message.decode("ascii")
        except UnicodeDecodeError:
            server.instrument.status.report(ScpiError(-101, "not ASCII"))
            return
        server.faults.count()
        if not happen(server, text):
            return
        response = await self._run(text)
        if response is None:
            exchange.interrupt()
        elif response:
            exchange.answer(response)
            # Something else has arrived already: it interrupts, and this answer is never sent.
            if self._pending.empty():
                await deliver(server.faults, self, text, [*exchange.read(), b"\n"])

    async def _run(self, text: str) -> list[Buffer] | None:
        """The answer to a message; None when the client sent another while it was waiting for this one."""
        running = asyncio.ensure_future(self.server.instrument.execute(text))
        await asyncio.sleep(0)
        if not running.done():
            arrived = asyncio.ensure_future(self._arrived.wait())
            # A message without a query (such as *WAI) holds back what follows; a query is interrupted by it.
            waiting = {running, arrived} if "?" in text else {running}
            try:
                await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
            finally:
                arrived.cancel()
                if not running.done():
                    running.cancel()
                    await asyncio.gather(running, return_exceptions=True)
        return None if running.cancelled() else running.result()

    async def put(self, data: Buffer) -> None:
        """Send bytes as they are."""
        await asyncio.get_running_loop().sock_sendall(self.peer, data)

    def hang_up(self) -> None:
        """Close the connection from this end, with the next turn of the worker."""
        self._hung_up = True

    def later(self, delay_s: float, reply: list[Buffer]) -> None:
        """Send a reply after a while, whatever is sent in between."""

        async def send() -> None:
            await asyncio.sleep(delay_s)
            with contextlib.suppress(ConnectionError):
                await send_whole(self, reply)

        task = asyncio.get_running_loop().create_task(send())
        self._late.add(task)
        task.add_done_callback(self._late.discard)
