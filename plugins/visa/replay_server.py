"""A recording behind a TCP port, so that any VISA client meets the instrument that was recorded."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from .link import Link, LinkClosed, LinkError
from .replay import Recording, ReplayPlayer

CHUNK_BYTES: Final = 1 << 20


class ReplayServer:
    """Answers one client after another, each with the next connection of the recording. A context manager.

    A recorded time-out is silence, a recorded loss of the connection is one. A command that was never recorded closes the
    connection, and is found in `unexpected`.
    """

    def __init__(self, file: Path, guard: str = "") -> None:
        """`guard`: the template in front of queries, with `{token}`; empty: that of the recorded dialect. Raises InputError."""
        recording = Recording.read(file)
        dialect: dict[str, Any] = recording.about.get("dialect") or {}
        session: dict[str, Any] = dialect.get("session") or {}
        self._player = ReplayPlayer(recording, guard or session.get("echo", "*ESE {token};*ESE?"))
        self.unexpected: list[str] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._peer: socket.socket | None = None
        self.resource = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        """VISA resource name."""
        self._thread = threading.Thread(target=self._serve, name="greystep-replay", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        for sock in (self._listener, self._peer):
            with contextlib.suppress(OSError, AttributeError):
                sock.shutdown(socket.SHUT_RDWR)  # type: ignore[union-attr]
        self._listener.close()
        self._thread.join(5)

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self._listener.accept()
                self._peer = peer
                with peer, contextlib.suppress(LinkError, OSError):
                    self._answer(peer, self._player.open(time.monotonic()))

    def _answer(self, peer: socket.socket, link: Link) -> None:
        rest = b""
        try:
            while data := peer.recv(65536):
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    try:
                        link.write(line + b"\n", 0.0)
                    except LinkClosed:
                        self.unexpected.append(line.decode("latin-1"))
                        raise
                    self._send_reply(peer, link)
        finally:
            link.close()

    @staticmethod
    def _send_reply(peer: socket.socket, link: Link) -> None:
        """Everything that was received then. Raises LinkClosed where the connection was lost."""
        buffer = memoryview(bytearray(CHUNK_BYTES))
        while True:
            try:
                count, _ = link.read_into(buffer, 0.0)
            except LinkClosed:
                raise
            except LinkError:
                return
            peer.sendall(buffer[:count])
