"""A bare-socket client for the instruments of the virtual bench: no VISA, nothing between the test and the bytes."""

from __future__ import annotations

import socket
from types import TracebackType
from typing import Self


class Dialogue:
    """One connection to one instrument."""

    def __init__(self, address: tuple[str, int], timeout_s: float = 10.0) -> None:
        self._socket = socket.create_connection(address, timeout_s)
        self._stream = self._socket.makefile("rb")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Hang up."""
        self._stream.close()
        self._socket.close()

    def timeout(self, seconds: float) -> None:
        """How long a read waits from now on."""
        self._socket.settimeout(seconds)

    def write(self, message: str) -> None:
        """Send a program message."""
        self._socket.sendall(message.encode("ascii") + b"\n")

    def write_raw(self, data: bytes) -> None:
        """Send bytes as they are."""
        self._socket.sendall(data)

    def read(self) -> str:
        """One line without its end; "" when the instrument hung up."""
        return self._stream.readline().decode("latin-1").removesuffix("\n")

    def ask(self, message: str) -> str:
        """Send a query and read its answer."""
        self.write(message)
        return self.read()

    def read_exactly(self, count: int) -> bytes:
        """So many bytes, or fewer when the instrument hung up."""
        return self._stream.read(count)

    def block(self, message: str) -> bytes:
        """Send a query and read a definite-length block with the newline after it."""
        self.write(message)
        assert self.read_exactly(1) == b"#"
        count = int(self.read_exactly(int(self.read_exactly(1))))
        data = self.read_exactly(count)
        assert self.read_exactly(1) == b"\n"
        return data

    def errors(self) -> list[int]:
        """All queued error numbers, oldest first; the queue is empty afterwards."""
        numbers = []
        while number := int(self.ask("SYST:ERR?").split(",")[0]):
            numbers.append(number)
            assert len(numbers) <= 20, "the error queue never ends"
        return numbers
