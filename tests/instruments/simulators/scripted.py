"""A TCP instrument that does exactly what a test tells it to, message by message."""

from __future__ import annotations

import contextlib
import re
import socket
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

Answer = Callable[["ScriptedInstrument", socket.socket, str], None]


class ScriptedInstrument:
    """Listens on a free port; each message line is given to `answer`, which sends what it likes. One thread a connection."""

    def __init__(self, answer: Answer) -> None:
        self._answer = answer
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.resource = f"TCPIP::127.0.0.1::{self.port}::SOCKET"
        self.connections = 0
        self.messages: list[str] = []
        self._peers: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._acceptor = threading.Thread(target=self._accept, daemon=True)

    def __enter__(self) -> Self:
        self._acceptor.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for peer in self._peers:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)
        self._acceptor.join(5)
        for thread in self._threads:
            thread.join(5)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self._listener.accept()
                self.connections += 1
                self._peers.append(peer)
                thread = threading.Thread(target=self._serve, args=(peer,), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _serve(self, peer: socket.socket) -> None:
        with peer, contextlib.suppress(OSError):
            rest = b""
            while data := peer.recv(65536):
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    text = line.decode()
                    self.messages.append(text)
                    self._answer(self, peer, text)


def split_guard(text: str) -> tuple[str, str]:
    """(what a conforming instrument answers to the guard, including the `;`, and the query behind it)."""
    found = re.fullmatch(r"\*ESE (\d+);\*ESE\?(?:;(.*))?", text)
    if not found:
        return "", text
    return (f"{found[1]};", found[2]) if found[2] is not None else (found[1], "")


def conforming(replies: dict[str, str | bytes]) -> Answer:
    """Answers the guard, *IDN?, *OPC?, SYST:ERR? and the given queries; ignores the rest."""
    table: dict[str, str | bytes] = {"*IDN?": "Maker,Model,1,1.0", "*OPC?": "1", "SYST:ERR?": '0,"No error"', **replies}

    def answer(_: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        guard, query = split_guard(text)
        if query == "" and guard:
            peer.sendall(guard.encode() + b"\n")
        elif query in table:
            reply = table[query]
            peer.sendall(guard.encode() + (reply.encode() if isinstance(reply, str) else reply) + b"\n")

    return answer
