"""One HiSLIP client: its two channels, the message under way, device clear, lock and status."""

from __future__ import annotations

import asyncio
import contextlib
import struct
from typing import TYPE_CHECKING

from ..faults.events import happen
from ..faults.order import REPLY_KINDS
from ..faults.replies import SMALL_REPLY_BYTES, deliver
from ..scpi.errors import ScpiError
from ..scpi.instrument import Buffer
from .message import MOST_PAYLOAD_BYTES, Fatal, HeaderError, Message, NonFatal, Type, pack, receive

if TYPE_CHECKING:
    from .server import HislipServer

RMT_DELIVERED = 1
FIRST_CLIENT_MAXIMUM = 1 << 20
"""Largest message that a client takes until it says otherwise."""


class HislipSession:
    """State of one client."""

    def __init__(self, server: HislipServer, number: int, synchronous: asyncio.StreamWriter) -> None:
        self.server = server
        self.number = number
        self.synchronous = synchronous
        self.asynchronous: asyncio.StreamWriter | None = None
        self.last_reply: list[Buffer] = [b"\n"]
        self.device_clears = 0
        self._maximum = FIRST_CLIENT_MAXIMUM
        self._input = bytearray()
        self._message_id = 0
        self._answered = False
        """Whether an answer was sent that the client has not acknowledged to have read."""
        self._clearing = False
        self._running: asyncio.Task[None] | None = None
        self._asked = False
        """Whether what runs is a query; a command merely holds back what follows."""
        self._queue: asyncio.Queue[tuple[str, int]] = asyncio.Queue()
        self._late: set[asyncio.Task[None]] = set()

    def end(self) -> None:
        """Hang up on both channels."""
        for task in (*self._late, *([self._running] if self._running else [])):
            task.cancel()
        for writer in (self.synchronous, self.asynchronous):
            if writer is not None:
                writer.close()

    # Synchronous channel ---------------------------------------------------------------------------------------

    async def serve_synchronous(self, reader: asyncio.StreamReader) -> None:
        """Until the client goes away."""
        worker = asyncio.get_running_loop().create_task(self._work())
        try:
            while True:
                self._take(await receive(reader))
        except HeaderError:
            self._fatal(Fatal.POORLY_FORMED_HEADER)
        finally:
            worker.cancel()

    def _take(self, message: Message) -> None:
        if self.asynchronous is None:
            self._fatal(Fatal.WITHOUT_BOTH_CHANNELS)
        elif message.type == Type.DEVICE_CLEAR_COMPLETE:
            self._clearing = False
            self.synchronous.write(pack(Type.DEVICE_CLEAR_ACKNOWLEDGE, 0))
        elif self._clearing:
            pass  # what the client sent before it knew of the clear is thrown away
        elif message.too_large:
            self._error(NonFatal.TOO_LARGE)
        elif message.type in (Type.DATA, Type.DATA_END):
            self._take_data(message)
        elif message.type == Type.TRIGGER:
            self._note_delivery(message)
            self._queue.put_nowait(("*TRG", message.parameter))
        else:
            self._error(NonFatal.VENDOR_MESSAGE if message.type >= 128 else NonFatal.UNRECOGNISED_TYPE)

    def _take_data(self, message: Message) -> None:
        if not self._input:
            self._note_delivery(message)
        self._input += message.payload
        if message.type == Type.DATA_END:
            text, self._input = bytes(self._input), bytearray()
            self._queue.put_nowait((text.decode("ascii", "replace").rstrip("\r\n"), message.parameter))

    def _note_delivery(self, message: Message) -> None:
        """IVI-6.1, 3.1.1: a message that comes before the last answer was read interrupts it."""
        running = self._asked and self._running is not None and not self._running.done()
        if self._drop_queued_query() or running or (self._answered and not message.control & RMT_DELIVERED):
            self.server.instrument.instrument.status.report(ScpiError(-410))
            if running and self._running is not None:
                self._running.cancel()
            assert self.asynchronous is not None
            self.synchronous.write(pack(Type.INTERRUPTED, 0, message.parameter))
            self.asynchronous.write(pack(Type.ASYNC_INTERRUPTED, 0, message.parameter))
        self._answered = False

    def _drop_queued_query(self) -> bool:
        """Queries that have come but were not begun are interrupted too; whether there was one."""
        waiting = [self._queue.get_nowait() for _ in range(self._queue.qsize())]
        for entry in waiting:
            if "?" not in entry[0]:
                self._queue.put_nowait(entry)
        return self._queue.qsize() < len(waiting)

    async def _work(self) -> None:
        while True:
            text, message_id = await self._queue.get()
            self._asked = "?" in text
            self._running = asyncio.get_running_loop().create_task(self._run(text, message_id))
            # Waited for, not awaited: a device clear cancels the message, and must not end the worker with it.
            await asyncio.wait({self._running})
            if not self._running.cancelled() and (error := self._running.exception()) is not None:
                if isinstance(error, ConnectionError):
                    return
                raise error

    async def _run(self, text: str, message_id: int) -> None:
        server = self.server.instrument
        server.faults.count()
        if not happen(server, text):
            self.server.drop_connections()
            return
        response = await server.instrument.execute(text)
        if not response:
            return
        self._message_id = message_id
        reply = [*response, b"\n"]
        if server.faults.due(REPLY_KINDS, text) is None:
            self.last_reply = reply
            await self._send(reply, end=True)
        else:
            await deliver(server.faults, self, text, reply)

    async def _send(self, parts: list[Buffer], *, end: bool, message_id: int | None = None) -> None:
        most = max(1, min(self._maximum, MOST_PAYLOAD_BYTES) - 16)
        if sum(len(part) for part in parts) <= SMALL_REPLY_BYTES:
            parts = [b"".join(parts)]
        views = [memoryview(part).cast("B") for part in parts if len(part)]
        pieces = [view[at : at + most] for view in views for at in range(0, len(view), most)]
        number = self._message_id if message_id is None else message_id
        for k, piece in enumerate(pieces):
            kind = Type.DATA_END if end and k == len(pieces) - 1 else Type.DATA
            self.synchronous.write(pack(kind, 0, number, len(piece)))
            self.synchronous.write(piece)
            await self.synchronous.drain()
        self._answered = self._answered or end

    # What the faults need --------------------------------------------------------------------------------------

    async def put(self, data: Buffer) -> None:
        """Bytes of a reply that goes wrong; a whole small one still ends its message."""
        await self._send([data], end=len(data) <= SMALL_REPLY_BYTES and bytes(data[-1:]) == b"\n")

    def hang_up(self) -> None:
        """Close the connection from this end."""
        self.end()

    def later(self, delay_s: float, reply: list[Buffer]) -> None:
        """Send a reply after a while, under the number of its own message."""
        number = self._message_id

        async def send() -> None:
            await asyncio.sleep(delay_s)
            with contextlib.suppress(ConnectionError):
                await self._send(reply, end=True, message_id=number)

        task = asyncio.get_running_loop().create_task(send())
        self._late.add(task)
        task.add_done_callback(self._late.discard)

    # Asynchronous channel --------------------------------------------------------------------------------------

    async def serve_asynchronous(self, reader: asyncio.StreamReader) -> None:
        """Until the client goes away."""
        while True:
            message = await receive(reader)
            assert self.asynchronous is not None
            self.asynchronous.write(self._answer(message))

    def _answer(self, message: Message) -> bytes:
        if message.type == Type.ASYNC_MAX_MESSAGE_SIZE and len(message.payload) == 8:
            self._maximum = struct.unpack("!Q", message.payload)[0]
            return pack(Type.ASYNC_MAX_MESSAGE_SIZE_RESPONSE, 0, 0, 8) + struct.pack("!Q", MOST_PAYLOAD_BYTES)
        if message.type == Type.ASYNC_DEVICE_CLEAR:
            self._clear()
            return pack(Type.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0)
        if message.type == Type.ASYNC_STATUS_QUERY:
            if message.control & RMT_DELIVERED:
                self._answered = False
            return pack(Type.ASYNC_STATUS_RESPONSE, self.server.instrument.instrument.status.byte(self._answered))
        if message.type == Type.ASYNC_LOCK:
            return pack(Type.ASYNC_LOCK_RESPONSE, self._lock(request=message.control == 1))
        if message.type == Type.ASYNC_LOCK_INFO:
            held = int(self.server.lock_holder is not None)
            return pack(Type.ASYNC_LOCK_INFO_RESPONSE, held, held)
        if message.type == Type.ASYNC_REMOTE_LOCAL_CONTROL:
            return pack(Type.ASYNC_REMOTE_LOCAL_RESPONSE)
        return self._error_message(NonFatal.VENDOR_MESSAGE if message.type >= 128 else NonFatal.UNRECOGNISED_TYPE)

    def _clear(self) -> None:
        """Device clear: what is under way is dropped on this side; the client tells when it has done the same."""
        self.device_clears += 1
        self._clearing = True
        self._input.clear()
        self._answered = False
        while not self._queue.empty():
            self._queue.get_nowait()
        for task in (*self._late, *([self._running] if self._running else [])):
            task.cancel()

    def _lock(self, *, request: bool) -> int:
        """1 success, 0 failure, 3 nothing to release."""
        holder = self.server.lock_holder
        if request:
            if holder not in (None, self.number):
                return 0
            self.server.lock_holder = self.number
            return 1
        if holder != self.number:
            return 3
        self.server.lock_holder = None
        return 1

    def _error_message(self, error: NonFatal) -> bytes:
        text = error.name.replace("_", " ").lower().encode()
        return pack(Type.ERROR, error, 0, len(text)) + text

    def _error(self, error: NonFatal) -> None:
        self.synchronous.write(self._error_message(error))

    def _fatal(self, error: Fatal) -> None:
        from .server import fatal

        fatal(self.synchronous, error)
        self.end()
