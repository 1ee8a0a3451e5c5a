"""Messages over a link: text lines and blocks, in both directions. Runs in the owner thread only."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Final

import numpy as np
from greystep.schema.errors import ReplyError
from numpy.typing import NDArray

from .block import HEADER_START, byte_count, count_digits, shown
from .link import Link, LinkTimeout

LINE_BUFFER_BYTES: Final = 64 * 1024
MAX_TEXT_BYTES: Final = 1 << 20
"""Longest text reply that is believed, unless the caller expects more."""
MAX_BLOCK_BYTES: Final = 4 << 30
_ALLOWED: Final = frozenset(range(0x20, 0x7F)) | frozenset(range(0xA0, 0x100)) | {0x09}


@dataclass(frozen=True)
class Terminators:
    """What ends a message on the wire."""

    command: bytes = b"\n"
    """Sent behind each command."""
    reply: bytes = b"\n"
    """Ends each text reply."""
    block: bytes = b"\n"
    """Follows each block."""


class Wire:
    """One connection, with the bytes that were received and not yet used."""

    def __init__(self, link: Link, terminators: Terminators) -> None:
        self.link = link
        self.terminators = terminators
        self._left = bytearray()
        self._ended = False

    def send(self, text: str, deadline: float) -> None:
        """Send one command. Raises LinkError."""
        self._ended = False
        self.link.write(text.encode("latin-1") + self.terminators.command, deadline)

    def unread(self) -> bool:
        """Whether something is waiting that nobody asked for."""
        return bool(self._left) or self.link.unread()

    def text(self, deadline: float, limit: int = MAX_TEXT_BYTES) -> str:
        """One text reply without its terminator. Raises ReplyError for anything but text, LinkError."""
        mark = self.terminators.reply
        searched = 0
        while (at := self._left.find(mark, searched)) < 0 and not self._ended:
            searched = max(0, len(self._left) - len(mark) + 1)
            if len(self._left) > limit:
                raise ReplyError(
                    f"the reply is longer than {limit} bytes and has no end", received=shown(bytes(self._left[:64]))
                )
            self._more(deadline)
        if at < 0:  # the transport said that the message is over
            line, rest = bytes(self._left), b""
        else:
            line, rest = bytes(self._left[:at]), bytes(self._left[at + len(mark) :])
        if self.link.ends and (rest or not self._ended):
            rest += self._to_end(deadline)
            if rest.strip(b"\r\n"):
                raise ReplyError("there is more behind the reply", received=shown(rest))
            rest = b""
        self._left = bytearray(rest)
        self._ended = False
        if not _ALLOWED.issuperset(line.rstrip(b"\r")):
            raise ReplyError("the reply is not text", received=shown(line))
        return line.decode("latin-1").strip()

    def before(self, mark: bytes, deadline: float, limit: int = 32) -> str:
        """Text in front of a mark, such as the `;` between two replies; takes nothing behind it. Raises ReplyError."""
        out = bytearray()
        while not out.endswith(mark):
            if len(out) >= limit:
                raise ReplyError(f"no {mark!r} in the reply", received=shown(bytes(out)))
            out += self._exactly(1, deadline)
        return bytes(out[: -len(mark)]).decode("latin-1")

    def block(self, deadline: float, expected: int | None = None, limit: int = MAX_BLOCK_BYTES) -> NDArray[np.uint8]:
        """Payload of one block in a fresh array. Raises ReplyError when it isn't `expected` bytes long, LinkError."""
        start = self._exactly(HEADER_START, deadline)
        try:
            digits = count_digits(start)
        except ReplyError as exc:
            exc.received = shown(start + bytes(self._left[:48]))
            raise
        if digits == 0:
            return self._indefinite(deadline, expected)
        count = byte_count(self._exactly(digits, deadline))
        if expected is not None and count != expected:
            raise ReplyError(f"the block announces {count} bytes, {expected} were expected", received=f"#{digits}{count}")
        if count > limit:
            raise ReplyError(f"the block announces {count} bytes, more than {limit}", received=f"#{digits}{count}")
        data = np.empty(count, np.uint8)
        self._fill(data.data.cast("B"), deadline)
        self._finish_block(deadline)
        return data

    def some(self, deadline: float) -> bytes:
        """At least one byte, as it comes. Raises LinkError."""
        if not self._left:
            self._more(deadline)
        data = bytes(self._left)
        self._left.clear()
        return data

    def drain(self, quiet_s: float, deadline: float) -> int:
        """Throw away what comes until it is quiet for so long; how many bytes. Raises LinkTimeout if it never is."""
        thrown = len(self._left)
        self._left.clear()
        self._ended = False
        buffer = memoryview(bytearray(LINE_BUFFER_BYTES))
        while True:
            until = time.monotonic() + quiet_s
            try:
                thrown += self.link.read_into(buffer, min(until, deadline))[0]
            except LinkTimeout:
                if until <= deadline:
                    return thrown
                raise

    def _more(self, deadline: float) -> None:
        buffer = memoryview(bytearray(LINE_BUFFER_BYTES))
        count, self._ended = self.link.read_into(buffer, deadline)
        self._left += buffer[:count]

    def _exactly(self, count: int, deadline: float) -> bytes:
        """Left-overs first; never takes more from the link than asked for, so that the payload is received in place."""
        out = bytearray(count)
        self._fill(memoryview(out), deadline)
        return bytes(out)

    def _fill(self, view: memoryview, deadline: float) -> None:
        have = min(len(self._left), len(view))
        view[:have] = self._left[:have]
        del self._left[:have]
        view = view[have:]
        while view:
            if self._ended:
                raise ReplyError(f"the message ended {len(view)} bytes too early")
            count, self._ended = self.link.read_into(view, deadline)
            view = view[count:]

    def _finish_block(self, deadline: float) -> None:
        mark = self.terminators.block
        rest = (bytes(self._left) + self._to_end(deadline)) if self.link.ends else self._exactly(len(mark), deadline)
        if rest not in ((b"", mark) if self.link.ends else (mark,)):
            raise ReplyError("the block is not followed by its terminator", received=shown(rest))
        if self.link.ends:
            self._left.clear()
            self._ended = False

    def _to_end(self, deadline: float) -> bytes:
        out = bytearray()
        buffer = memoryview(bytearray(4096))
        while not self._ended:
            count, self._ended = self.link.read_into(buffer, deadline)
            out += buffer[:count]
            if len(out) > LINE_BUFFER_BYTES:
                raise ReplyError("the message goes on behind its end", received=shown(bytes(out[:64])))
        return bytes(out)

    def _indefinite(self, deadline: float, expected: int | None) -> NDArray[np.uint8]:
        if not self.link.ends:
            raise ReplyError("a block of indefinite length has no end on this transport", received="#0")
        out = bytearray(self._left)
        self._left.clear()
        buffer = memoryview(bytearray(1 << 20))
        while not self._ended:
            count, self._ended = self.link.read_into(buffer, deadline)
            out += buffer[:count]
        mark = self.terminators.block
        if mark and not out.endswith(mark):
            raise ReplyError("the indefinite block does not end with the terminator", received=shown(bytes(out[-16:])))
        self._ended = False
        data = np.frombuffer(bytes(out[: len(out) - len(mark)]), np.uint8)
        if expected is not None and data.size != expected:
            raise ReplyError(f"the block has {data.size} bytes, {expected} were expected", received="#0")
        return data
