"""Serial line: opened by VISA, carried on the session's own port, since the library reads one byte at a time."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any, Final

from .link import LinkClosed, LinkTimeout, remaining

SLICE_S: Final = 0.05
"""Longest single wait; the deadline is looked at in between."""


class SerialLink:
    """Bytes over a serial port that a VISA session owns."""

    ends = False

    def __init__(self, port: Any, release: Callable[[], None]) -> None:
        self._port = port
        self._release: Callable[[], None] | None = release
        port.timeout = SLICE_S
        port.write_timeout = 1.0
        port.reset_input_buffer()

    def write(self, data: bytes, deadline: float) -> None:
        """See `Link`."""
        import serial

        remaining(deadline)
        try:
            self._port.write(data)
        except serial.SerialTimeoutException as exc:
            raise LinkTimeout("the instrument does not take the command") from exc
        except (OSError, serial.SerialException) as exc:
            raise LinkClosed(str(exc)) from exc

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        """See `Link`."""
        import serial

        while True:
            remaining(deadline)
            try:
                data = self._port.read(min(len(buffer), max(1, self._port.in_waiting)))
            except (OSError, serial.SerialException, TypeError) as exc:
                raise LinkClosed(str(exc)) from exc
            if data:
                buffer[: len(data)] = data
                return len(data), False

    def unread(self) -> bool:
        """See `Link`."""
        try:
            return bool(self._port.in_waiting)
        except OSError as exc:
            raise LinkClosed(str(exc)) from exc

    def clear(self, deadline: float) -> bool:
        """A serial line has no device clear."""
        del deadline
        return False

    def kill(self) -> None:
        """See `Link`."""
        for cancel in ("cancel_read", "cancel_write"):
            with contextlib.suppress(Exception):
                getattr(self._port, cancel)()

    def close(self) -> None:
        """See `Link`."""
        release, self._release = self._release, None
        if release is not None:
            release()
