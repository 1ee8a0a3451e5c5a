"""Raw TCP socket: opened by VISA, carried on the session's own socket.

Reading through the library costs 5 to 7 times a bare socket, its time-outs follow the wall clock, its writes have no
time-out and a peer that closes makes it spin; on the session's own socket none of that applies.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable

from .link import LinkClosed, LinkTimeout, remaining

RECEIVE_BUFFER_BYTES = 4 << 20


class SocketLink:
    """Bytes over a TCP socket that a VISA session owns."""

    ends = False

    def __init__(self, sock: socket.socket, release: Callable[[], None]) -> None:
        self._sock = sock
        self._release: Callable[[], None] | None = release
        self._check_connected()
        # Without it a second small command waits for the acknowledgement of the first: 40 ms each.
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)

    def _check_connected(self) -> None:
        # The library reports success as soon as the socket is readable, which a refused one is too.
        number = self._sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        try:
            if number:
                raise OSError(number, _reason(number))
            self._sock.getpeername()
        except OSError as exc:
            self.close()
            raise LinkClosed(exc.strerror or str(exc)) from exc

    def write(self, data: bytes, deadline: float) -> None:
        """See `Link`."""
        view = memoryview(data)
        try:
            while view:
                self._sock.settimeout(remaining(deadline))
                view = view[self._sock.send(view) :]
        except TimeoutError as exc:
            raise LinkTimeout("the instrument does not take the command") from exc
        except OSError as exc:
            raise LinkClosed(exc.strerror or str(exc)) from exc

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        """See `Link`."""
        try:
            self._sock.settimeout(remaining(deadline))
            count = self._sock.recv_into(buffer)
        except TimeoutError as exc:
            raise LinkTimeout("no answer in time") from exc
        except OSError as exc:
            raise LinkClosed(exc.strerror or str(exc)) from exc
        if count == 0:
            raise LinkClosed("the instrument closed the connection")
        return count, False

    def unread(self) -> bool:
        """See `Link`."""
        try:
            self._sock.settimeout(0)
            waiting = self._sock.recv(1, socket.MSG_PEEK)
        except BlockingIOError:
            return False
        except OSError as exc:
            raise LinkClosed(exc.strerror or str(exc)) from exc
        if not waiting:
            raise LinkClosed("the instrument closed the connection")
        return True

    def clear(self, deadline: float) -> bool:
        """A socket has no device clear."""
        del deadline
        return False

    def kill(self) -> None:
        """See `Link`."""
        with contextlib.suppress(OSError):
            self._sock.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """See `Link`."""
        release, self._release = self._release, None
        if release is not None:
            release()


def _reason(number: int) -> str:
    import os

    return os.strerror(number)
