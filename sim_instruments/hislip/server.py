"""HiSLIP server of one instrument: pairs the synchronous and the asynchronous channel of each client."""

from __future__ import annotations

import asyncio
import contextlib

from ..scpi.server import InstrumentServer
from .message import Fatal, HeaderError, Message, Type, pack, receive
from .session import HislipSession

PROTOCOL_VERSION = 0x0100
VENDOR_ID = 0x4753
MOST_CLIENTS = 16
SUB_ADDRESS = b"hislip0"


class HislipServer:
    """Listens on one port; the instrument and its faults are those of the socket server."""

    def __init__(self, instrument: InstrumentServer, host: str, port: int = 0) -> None:
        self.instrument = instrument
        self.host = host
        self.port = port
        self._server: asyncio.Server | None = None
        self._sessions: dict[int, HislipSession] = {}
        self._writers: set[asyncio.StreamWriter] = set()
        self._next_id = 1
        self.lock_holder: int | None = None
        """Session that holds the exclusive lock."""

    @property
    def resource(self) -> str:
        """VISA resource name."""
        return f"TCPIP0::{self.host}::{SUB_ADDRESS.decode()},{self.port}::INSTR"

    async def listen(self) -> None:
        """Open the port (0: any free one). Raises OSError."""
        self._server = await asyncio.start_server(self._serve, self.host, self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Close the port and all connections."""
        if self._server is not None:
            self._server.close()
        self.drop_connections()
        await asyncio.sleep(0)

    def drop_connections(self) -> None:
        """Hang up on every client."""
        for session in list(self._sessions.values()):
            session.end()
        for writer in list(self._writers):
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        try:
            with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
                await self._channel(reader, writer)
        finally:
            self._writers.discard(writer)
            writer.close()

    async def _channel(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            first = await receive(reader)
            if first.type == Type.INITIALIZE:
                await self._synchronous(first, reader, writer)
            elif first.type == Type.ASYNC_INITIALIZE:
                await self._asynchronous(first, reader, writer)
            else:
                fatal(writer, Fatal.INVALID_INITIALISATION)
        except HeaderError:
            fatal(writer, Fatal.POORLY_FORMED_HEADER)

    async def _synchronous(self, first: Message, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if first.payload not in (b"", SUB_ADDRESS):
            fatal(writer, Fatal.INVALID_INITIALISATION)
            return
        if len(self._sessions) >= MOST_CLIENTS:
            fatal(writer, Fatal.TOO_MANY_CLIENTS)
            return
        number, self._next_id = self._next_id, self._next_id % 0xFFFF + 1
        session = self._sessions[number] = HislipSession(self, number, writer)
        writer.write(pack(Type.INITIALIZE_RESPONSE, 0, PROTOCOL_VERSION << 16 | number))
        try:
            await session.serve_synchronous(reader)
        finally:
            session.end()
            del self._sessions[number]
            if self.lock_holder == number:
                self.lock_holder = None

    async def _asynchronous(self, first: Message, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        session = self._sessions.get(first.parameter)
        if session is None or session.asynchronous is not None:
            fatal(writer, Fatal.INVALID_INITIALISATION)
            return
        session.asynchronous = writer
        writer.write(pack(Type.ASYNC_INITIALIZE_RESPONSE, 0, VENDOR_ID))
        try:
            await session.serve_asynchronous(reader)
        finally:
            session.end()


def fatal(writer: asyncio.StreamWriter, error: Fatal) -> None:
    """Say why, and close."""
    text = error.name.replace("_", " ").lower().encode()
    writer.write(pack(Type.FATAL_ERROR, error, 0, len(text)) + text)
    writer.close()
