"""Bring a distrusted connection back: nothing that was under way before may be taken for an answer afterwards.

Order: device clear, or a new connection where the transport has none; drain; echo of two fresh tokens, which no
stale reply can foresee; the identity must be the same as before; the error queue is emptied.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from greystep.schema.errors import InstrumentError, ReplyError

from .errors import parse_error
from .wire import Wire

QUIET_S: Final = 0.05
ECHO_TRIES: Final = 4
MAX_QUEUED_ERRORS: Final = 64


@dataclass(frozen=True)
class Words:
    """The few commands that a session needs for itself; an empty one isn't offered by the instrument."""

    identity: str = "*IDN?"
    echo: str = "*ESE {token};*ESE?"
    """Sets a harmless register to `{token}` and asks for it."""
    echo_end: str = "*ESE 0"
    """Puts the register back."""
    echo_values: int = 256
    """Tokens go from 1 up to this, exclusive."""
    guard: bool = True
    """Put the echo in front of every query, in the same message: each reply then carries a number of its own."""
    ready: str = "*OPC?"
    ready_reply: str = "1"
    next_error: str = "SYST:ERR?"

    def guarded(self, text: str, token: int) -> str:
        """The query behind its echo."""
        return f"{self.echo.format(token=token)};{text}"


@dataclass(frozen=True)
class Recovered:
    """What was found on the way back."""

    thrown_bytes: int
    errors: tuple[str, ...]


Ask = Callable[[str], str]


def confirm(ask: Ask, wire: Wire, words: Words, tokens: random.Random, deadline: float) -> int:
    """Ask until two fresh tokens in a row come back, draining in between; bytes thrown away. Raises InstrumentError."""
    thrown = wire.drain(QUIET_S, deadline)
    if not words.echo:
        if words.ready and ask(words.ready) != words.ready_reply:
            raise ReplyError("the instrument does not answer a plain question after it was cleared", sent=words.ready)
        return thrown
    matched = 0
    last = 0
    for _ in range(2 * ECHO_TRIES):
        token = tokens.choice([n for n in range(1, words.echo_values) if n != last])
        last = token
        reply = ask(words.echo.format(token=token))
        matched = matched + 1 if is_token(reply, token) else 0
        if matched == 2:
            return thrown
        if matched == 0:
            thrown += wire.drain(QUIET_S, deadline)
    raise ReplyError(
        "the instrument answers something else than it was asked, also after it was cleared",
        sent=words.echo.format(token=last),
        received=reply,
        todo="check that nothing else talks to it, then switch it off and on",
    )


def is_token(reply: str, token: int) -> bool:
    """Whether the reply is this number."""
    try:
        return int(reply) == token
    except ValueError:
        return False


def same_instrument(ask: Ask, words: Words, known: str | None) -> None:
    """Raises InstrumentError when another identity answers than before."""
    if not words.identity or known is None:
        return
    identity = ask(words.identity)
    if identity != known:
        raise InstrumentError(
            f"another instrument answers now: {identity!r} instead of {known!r}",
            sent=words.identity,
            received=identity,
            todo="check the address and the cabling; if the instrument was updated or replaced, start the run again",
        )


def empty_errors(ask: Ask, words: Words) -> tuple[str, ...]:
    """Queued errors, oldest first. Raises ReplyError for what is not an error entry or a queue without end."""
    found: list[str] = []
    if not words.next_error:
        return ()
    while len(found) <= MAX_QUEUED_ERRORS:
        reply = ask(words.next_error)
        if parse_error(reply).number == 0:
            return tuple(found)
        found.append(reply)
    raise ReplyError(f"the error queue has no end after {len(found)} entries", sent=words.next_error, received=found[-1])
