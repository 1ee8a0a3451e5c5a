"""A session with one instrument: every call has a deadline; after any doubt it is resynchronised before a reply counts."""

from __future__ import annotations

import hashlib
import random
import re
import threading
import time
from collections.abc import Callable
from typing import Final, TypeVar

import numpy as np
from greystep.schema.errors import ConnectionLostError, InstrumentError, InstrumentTimeoutError, RefusedError, ReplyError
from numpy.typing import NDArray

from .link import Link, LinkClosed, LinkError, LinkTimeout
from .owner import OwnerStuck, OwnerThread
from .resync import Recovered, Words, confirm, empty_errors, is_token, same_instrument
from .wire import MAX_TEXT_BYTES, Terminators, Wire

T = TypeVar("T")
Opener = Callable[[float], Link]
"""Called with a monotonic deadline; returns an open link."""
Note = Callable[[str, str], None]
"""Called with the direction and the text."""
_ONE_LINE: Final = re.compile("[\x20-\xff]*")
GRACE_S: Final = 0.25
"""The owner thread gets this much longer than the call inside it, whose own message is the better one."""


class Session:
    """Commands and replies over one connection. Usable from any thread; one owner thread touches the connection.

    Queries are guarded where the instrument allows it: each is sent behind an echo of a running number, and only the reply
    that carries this number counts. The dialogue notes them without their guard.
    """

    def __init__(
        self,
        opener: Opener,
        *,
        role: str,
        resource: str,
        timeout_s: float = 2.0,
        open_timeout_s: float = 5.0,
        words: Words | None = None,
        terminators: Terminators | None = None,
        note: Note | None = None,
        tokens: random.Random | None = None,
    ) -> None:
        self._opener = opener
        self.role = role
        self.resource = resource
        self.timeout_s = timeout_s
        self.open_timeout_s = open_timeout_s
        self._words = words or Words()
        self._terminators = terminators or Terminators()
        self._sink = note or (lambda direction, text: None)
        self.overheard: list[tuple[str, str]] | None = None
        """Where set, everything that is noted is put here too."""
        self._tokens = tokens or random.Random()
        self._token = self._tokens.randrange(1, self._words.echo_values)
        self._guard = bool(self._words.guard and self._words.echo)
        self._lock = threading.RLock()
        self._owner: OwnerThread | None = None
        self._wire: Wire | None = None
        self._identity: str | None = None
        self._closed = False
        self._doubt = ""
        self.on_close: Callable[[], None] = lambda: None
        """Called when the session is closed for good."""
        self.resyncs = 0
        """How often the session was brought back."""

    # Opening and closing ---------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open the connection. Raises ConnectionLostError or InstrumentTimeoutError, not later than `open_timeout_s`."""
        with self._lock:
            self._closed = False
            self._in_owner("", self._connect, self.open_timeout_s)

    def close(self) -> None:
        """Release everything. Safe to call twice and after errors."""
        with self._lock:
            self._closed = True
            self._drop()
            owner, self._owner = self._owner, None
            if owner is not None:
                owner.stop(1.0)
            self.on_close()

    def know(self, identity: str) -> None:
        """From now on, this identity must answer after every resynchronisation."""
        self._identity = identity

    # Talking ---------------------------------------------------------------------------------------------------

    def write(self, text: str, *, timeout_s: float | None = None) -> None:
        """Send a command that has no reply. Raises InstrumentError."""
        self._exchange(text, lambda wire, deadline: None, timeout_s)

    def query(self, text: str, *, timeout_s: float | None = None, limit: int = MAX_TEXT_BYTES, noted: bool = True) -> str:
        """Text reply to a query. Raises InstrumentError."""
        reply = self._exchange(
            text, lambda wire, deadline: wire.text(deadline, limit), timeout_s, noted=noted, guard=self._guard
        )
        if noted:
            self._note("<", reply if len(reply) <= 4096 else _digest(reply.encode("latin-1"), "text"))
        return reply

    def query_block(self, text: str, *, expected: int | None = None, timeout_s: float | None = None) -> NDArray[np.uint8]:
        """Payload of the block that answers a query; `expected` is its length in bytes where known. Raises InstrumentError."""
        data = self._exchange(text, lambda wire, deadline: wire.block(deadline, expected), timeout_s, guard=self._guard)
        self._note("<", _digest(data.data, "block"))
        return data

    def exchange(self, text: str, read: Callable[[Wire, float], T], *, timeout_s: float | None = None) -> T:
        """Send a command and read its answer by `read(wire, deadline)`, in the owner thread. Raises InstrumentError."""
        return self._exchange(text, read, timeout_s)

    @property
    def closed(self) -> bool:
        """Whether the session was closed for good."""
        return self._closed

    def note(self, direction: str, text: str) -> None:
        """Put a remark into the dialogue."""
        self._note(direction, text)

    # Doubt -----------------------------------------------------------------------------------------------------

    @property
    def doubt(self) -> str:
        """Why the next reply would not be believed; empty when it would."""
        return self._doubt

    def distrust(self, reason: str) -> None:
        """The last reply made no sense: resynchronise before the next exchange."""
        self._doubt = self._doubt or reason or "unknown"

    def resynchronise(self) -> Recovered:
        """Bring the session back to a known state, within `open_timeout_s` + `timeout_s`. Raises InstrumentError."""
        self._note("!", f"resynchronise: {self._doubt or 'asked for'}")
        self.resyncs += 1
        return self._trust(self._clear_or_reconnect, self.open_timeout_s + self.timeout_s)

    def verify(self) -> Recovered:
        """The same for a connection that was just made: a gateway or a shared line may hold replies to somebody else."""
        return self._trust(lambda deadline: None, 2 * self.timeout_s)

    def _trust(self, clear: Callable[[float], None], allowed_s: float) -> Recovered:
        with self._lock:
            self.distrust("resynchronisation failed")
            found = self._in_owner("", lambda deadline: self._bring_back(clear, deadline), allowed_s)
            self._doubt = ""
            for entry in found.errors:
                self._note("!", f"error queue held {entry}")
            return found

    def _note(self, direction: str, text: str) -> None:
        self._sink(direction, text)
        if self.overheard is not None:
            self.overheard.append((direction, text))

    # Inside ----------------------------------------------------------------------------------------------------

    def _exchange(
        self,
        text: str,
        read: Callable[[Wire, float], T],
        timeout_s: float | None,
        *,
        noted: bool = True,
        guard: bool = False,
    ) -> T:
        allowed_s = self.timeout_s if timeout_s is None else timeout_s
        if not _ONE_LINE.fullmatch(text):
            raise RefusedError("a command is one line of plain text", role=self.role, where=self.resource, sent=text[:200])
        if not self._lock.acquire(timeout=allowed_s + GRACE_S):
            raise InstrumentTimeoutError("the session is busy with another call", role=self.role, sent=text, retryable=True)
        try:
            if self._doubt or self._wire is None:
                self.resynchronise()
            if noted:
                self._note(">", text)

            def job(deadline: float) -> T:
                wire = self._connected()
                if wire.unread():
                    raise ReplyError("the instrument sent something that nobody asked for")
                if not guard:
                    wire.send(text, deadline)
                    return read(wire, deadline)
                token = self._token = self._token % (self._words.echo_values - 1) + 1
                wire.send(self._words.guarded(text, token), deadline)
                if not is_token(carried := wire.before(b";", deadline), token):
                    raise ReplyError("the reply belongs to an earlier query", received=carried)
                return read(wire, deadline)

            return self._in_owner(text, job, allowed_s)
        finally:
            self._lock.release()

    def _in_owner(self, sent: str, job: Callable[[float], T], allowed_s: float) -> T:
        if self._closed:
            raise ConnectionLostError("the session is closed", role=self.role, where=self.resource, sent=sent)
        if self._owner is None:
            self._owner = OwnerThread(f"greystep-{self.role}")
        deadline = time.monotonic() + allowed_s
        try:
            return self._owner.run(lambda: job(deadline), deadline + GRACE_S)
        except (LinkTimeout, OwnerStuck) as exc:
            if isinstance(exc, OwnerStuck):
                self._abandon()
            error: InstrumentError = InstrumentTimeoutError(f"{exc} ({allowed_s:g} s)", retryable=True)
            raise self._told(error, sent) from exc
        except LinkClosed as exc:
            what = f"no connection: {exc}" if self._wire is None else f"connection lost: {exc}"
            raise self._told(ConnectionLostError(what, retryable=True), sent) from exc
        except LinkError as exc:
            raise self._told(ReplyError(str(exc), retryable=True), sent) from exc
        except ReplyError as exc:
            exc.retryable = exc.retryable or bool(sent)
            raise self._told(exc, sent) from exc.__cause__
        except InstrumentError as exc:
            raise self._told(exc, sent) from exc.__cause__
        except BaseException as exc:
            self.distrust(f"interrupted by {type(exc).__name__}")
            raise

    def _told(self, error: InstrumentError, sent: str) -> InstrumentError:
        """The error with this session's particulars; the session is in doubt from now on."""
        error.role = error.role or self.role
        error.where = error.where or self.resource
        error.sent = error.sent or sent
        if not isinstance(error, RefusedError):  # a refusal is a proper reply
            self.distrust(error.what)
        self._note("!", error.what)
        return error

    def _connect(self, deadline: float) -> None:
        wire = Wire(self._opener(deadline), self._terminators)
        if self._closed or time.monotonic() > deadline + GRACE_S:  # nobody waits for it any more
            wire.link.close()
            raise LinkTimeout("no connection in time")
        self._wire = wire

    def _connected(self) -> Wire:
        if self._wire is None:
            raise LinkClosed("not open")
        return self._wire

    def _bring_back(self, clear: Callable[[float], None], deadline: float) -> Recovered:
        clear(deadline)
        wire = self._connected()

        def ask(text: str) -> str:
            wire.send(text, deadline)
            return wire.text(deadline)

        thrown = confirm(ask, wire, self._words, self._tokens, deadline)
        same_instrument(ask, self._words, self._identity)
        if self._words.echo_end:
            wire.send(self._words.echo_end, deadline)
        return Recovered(thrown, empty_errors(ask, self._words))

    def _clear_or_reconnect(self, deadline: float) -> None:
        if self._wire is not None:
            try:
                if self._wire.link.clear(min(deadline, time.monotonic() + self.timeout_s)):
                    return
            except LinkError:
                pass  # the connection is beyond a device clear: a new one is made
        self._drop()
        self._connect(deadline)

    def _drop(self) -> None:
        wire, self._wire = self._wire, None
        if wire is not None:
            wire.link.close()

    def _abandon(self) -> None:
        """Leave the thread that does not come back, and its connection."""
        owner, self._owner = self._owner, None
        if self._wire is not None:
            self._wire.link.kill()
        self._drop()
        if owner is not None:
            owner.stop()


def _digest(data: bytes | memoryview, kind: str) -> str:
    return f"{kind} of {len(data)} bytes, SHA-256 {hashlib.sha256(data).hexdigest()[:16]}"
