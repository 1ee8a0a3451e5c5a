"""The line: a pseudo-terminal with the sensor at its far end, and what a bad cable does to the bytes."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import tty
from collections.abc import Callable
from types import TracebackType
from typing import Self

Answer = Callable[[str], bytes]
Damage = Callable[[str, bytes], bytes]
"""Called with the command and the reply; returns what really arrives."""


class SerialDevice:
    """Serves command lines on a pseudo-terminal in a thread of its own. A context manager."""

    def __init__(self, answer: Answer) -> None:
        self._answer = answer
        self.damage: Damage = lambda command, reply: reply
        """What happens to replies on the way."""
        self.commands: list[str] = []
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.resource = f"ASRL{self.path}::INSTR"
        """VISA resource name."""
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="serial-device", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        os.write(self._stop_write, b"x")
        self._thread.join(5)
        for descriptor in (self._master, self._slave, self._stop_read, self._stop_write):
            with contextlib.suppress(OSError):
                os.close(descriptor)

    def _serve(self) -> None:
        rest = b""
        while True:
            ready, _, _ = select.select([self._master, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            *lines, rest = (rest + os.read(self._master, 4096)).split(b"\n")
            for line in lines:
                command = line.decode("ascii", "replace").rstrip("\r")
                self.commands.append(command)
                self._send(self.damage(command, self._answer(command)))

    def _send(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            ready, writable, _ = select.select([self._stop_read], [self._master], [])
            if ready:
                return
            if writable:
                view = view[os.write(self._master, view[:1024]) :]
