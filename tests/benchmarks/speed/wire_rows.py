"""A block of samples over a TCP socket: our VISA session, pyvisa as a script uses it, a bare socket."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
from greystep.plugins.visa.opening import open_link
from greystep.plugins.visa.resync import Words
from greystep.plugins.visa.session import Session
from greystep.plugins.visa.wire import Terminators

from .row import Row, best_s

SIZE = 8 << 20


class Server:
    """Answers each line with one block: of random bytes when none are given."""

    def __init__(self, data: bytes = b"") -> None:
        data = data or np.random.default_rng(0).integers(0, 256, SIZE, np.uint8).tobytes()
        self.reply = f"#{len(str(len(data)))}{len(data)}".encode() + data + b"\n"
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with connection, connection.makefile("rb") as lines:
            for _ in lines:
                try:
                    connection.sendall(self.reply)
                except OSError:
                    return


@contextmanager
def session_to(resource: str) -> Iterator[Session]:
    """A session as the drivers have it, without the echo check."""
    session = Session(
        lambda deadline: open_link(resource, deadline),
        role="digitiser",
        resource=resource,
        timeout_s=30,
        words=Words(guard=False),
        terminators=Terminators(),
    )
    session.open()
    try:
        yield session
    finally:
        session.close()


def rows() -> list[Row]:
    """Block read rates."""
    server = Server()
    resource = f"TCPIP0::127.0.0.1::{server.port}::SOCKET"
    with session_to(resource) as session:
        ours = SIZE / 1e6 / best_s(lambda: session.query_block("DATA?", expected=SIZE))
    made = Row(
        "8 MiB of random samples over a VISA socket session, both ends in this process",
        "MB/s",
        ours,
        _script(resource),
        _bare(server),
        "bare socket",
        goal="above 1 GbE (117 MB/s)",
        met=ours > 117,
    )
    server.listener.close()
    return [made if made.met else replace(made, note="limited by the loopback server's thread")]


def _script(resource: str) -> float:
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    handle = manager.open_resource(resource, read_termination="\n", write_termination="\n", timeout=120_000)
    try:
        return SIZE / 1e6 / best_s(lambda: handle.query_binary_values("DATA?", "b", container=np.array), 1)
    finally:
        handle.close()
        manager.close()


def _bare(server: Server) -> float:
    buffer = bytearray(len(server.reply))
    with socket.create_connection(("127.0.0.1", server.port)) as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)

        def read() -> None:
            sock.sendall(b"DATA?\n")
            view = memoryview(buffer)
            while view:
                view = view[sock.recv_into(view) :]

        return SIZE / 1e6 / best_s(read)
