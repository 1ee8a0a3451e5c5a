"""HiSLIP (IVI-6.1): opened and written by the VISA library's client, read on the client's own synchronous channel.

Only the payload is received here, into the caller's buffer; headers and message ids stay with the client, which throws away
answers to earlier messages.
"""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Callable
from typing import Any, Final

from .link import LinkClosed, LinkError, LinkTimeout, remaining

HEADER: Final = "!2sBBIQ"
DEVICE_CLEAR_COMPLETE: Final = 8
DEVICE_CLEAR_ACKNOWLEDGE: Final = 9
ASYNC_DEVICE_CLEAR: Final = 19
ASYNC_DEVICE_CLEAR_ACKNOWLEDGE: Final = 23
FIRST_MESSAGE_ID: Final = 0xFFFF_FF00
_NEEDED: Final = ("_sync", "_async", "_next_data_header", "_payload_remaining", "_msg_type", "send")


def can_carry(client: Any) -> bool:
    """Whether the library's HiSLIP client has the parts that are used here."""
    return all(hasattr(client, name) for name in _NEEDED)


class HislipLink:
    """Bytes over a HiSLIP client that a VISA session owns."""

    ends = True

    def __init__(self, client: Any, release: Callable[[], None]) -> None:
        self._client = client
        self._release: Callable[[], None] | None = release

    def write(self, data: bytes, deadline: float) -> None:
        """See `Link`."""
        with _translated():
            self._client.timeout = remaining(deadline)
            self._client.send(data)

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        """See `Link`."""
        client = self._client
        with _translated():
            client.timeout = remaining(deadline)
            if client._payload_remaining <= 0:
                client._msg_type, client._payload_remaining = client._next_data_header()
            count = min(len(buffer), client._payload_remaining)
            if count:
                client._sync.settimeout(remaining(deadline))
                count = client._sync.recv_into(buffer[:count])
                if count == 0:
                    raise LinkClosed("the instrument closed the connection")
            client._payload_remaining -= count
            end = client._payload_remaining == 0 and client._msg_type == "DataEnd"
            if end:
                client._rmt = 1
            return count, end

    def unread(self) -> bool:
        """Late answers carry the id of their message and are dropped by the client."""
        return False

    def clear(self, deadline: float) -> bool:
        """The library's own device clear takes a late answer for the acknowledgement and fails; here it is drained."""
        client = self._client
        with _translated():
            client.timeout = remaining(deadline)
            client._async.sendall(struct.pack(HEADER, b"HS", ASYNC_DEVICE_CLEAR, 0, 0, 0))
            # An interruption may have been announced before on this channel; the library's client stumbles over it.
            feature = self._until(client._async, ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, deadline)
            self._discard(client._sync, client._payload_remaining, deadline)
            client._sync.sendall(struct.pack(HEADER, b"HS", DEVICE_CLEAR_COMPLETE, feature, 0, 0))
            self._until(client._sync, DEVICE_CLEAR_ACKNOWLEDGE, deadline)
            client.last_message_id = None
            client._message_id = FIRST_MESSAGE_ID
        return True

    def _until(self, channel: socket.socket, wanted: int, deadline: float) -> int:
        """Throw messages away until the wanted one; its control code."""
        while True:
            header = self._exactly(channel, struct.calcsize(HEADER), deadline)
            prologue, kind, control, _, length = struct.unpack(HEADER, header)
            if prologue != b"HS":
                raise LinkError("the HiSLIP channel is out of step")
            self._discard(channel, length, deadline)
            if kind == wanted:
                return int(control)

    def _exactly(self, channel: socket.socket, count: int, deadline: float) -> bytes:
        data = bytearray(count)
        view = memoryview(data)
        while view:
            channel.settimeout(remaining(deadline))
            got = channel.recv_into(view)
            if got == 0:
                raise LinkClosed("the instrument closed the connection")
            view = view[got:]
        return bytes(data)

    def _discard(self, channel: socket.socket, count: int, deadline: float) -> None:
        while count > 0:
            count -= len(self._exactly(channel, min(count, 1 << 20), deadline))

    def kill(self) -> None:
        """See `Link`."""
        for sock in (self._client._sync, self._client._async):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """See `Link`."""
        release, self._release = self._release, None
        if release is not None:
            release()


class _translated(contextlib.AbstractContextManager[None]):  # noqa: N801 - used like a function
    def __exit__(self, kind: Any, error: BaseException | None, trace: Any) -> None:
        if isinstance(error, TimeoutError):
            raise LinkTimeout("no answer in time") from error
        if isinstance(error, OSError):
            raise LinkClosed(error.strerror or str(error)) from error
        # The client reports a lost peer and broken framing as bare RuntimeError and AssertionError.
        if isinstance(error, (RuntimeError, AssertionError, struct.error)):
            raise LinkClosed(f"HiSLIP: {error}") from error
