"""Plain talk with the instrument, past the driver, for checks of the protocol itself."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from greystep.plugins.testing.checking import NotSupportedError, expect
from greystep.plugins.visa.errors import QueuedError, parse_error
from greystep.plugins.visa.link import LinkTimeout
from greystep.plugins.visa.session import Session
from greystep.plugins.visa.wire import Wire

SHORT_S: Final = 0.3
MOST_ERRORS: Final = 200
COMMAND_ERROR, EXECUTION_ERROR = 32, 16
"""Bits of the standard event register."""


def session_of(instrument: Any) -> Session:
    """The session of a driver that speaks SCPI. Raises NotSupportedError for another one."""
    port = getattr(instrument, "port", None)
    if port is None or not port.words.next_error.upper().startswith("SYST:ERR") or port.words.identity.upper() != "*IDN?":
        raise NotSupportedError("its dialect is not that of SCPI-1999 and IEEE 488.2")
    session: Session = port.session
    return session


def errors(session: Session) -> list[QueuedError]:
    """Empty the error queue."""
    found: list[QueuedError] = []
    for _ in range(MOST_ERRORS):
        entry = parse_error(session.query("SYST:ERR?"))
        if entry.number == 0:
            return found
        found.append(entry)
    expect(False, f"the error queue has no end after {MOST_ERRORS} entries")
    return found


def clean(session: Session) -> None:
    """No errors queued, no events set."""
    session.write("*CLS")


def event(session: Session) -> int:
    """The standard event register."""
    return int(float(session.query("*ESR?")))


def numbers(found: list[QueuedError]) -> list[int]:
    """Numbers of errors."""
    return [entry.number for entry in found]


@contextmanager
def put_right(session: Session) -> Iterator[list[int]]:
    """Whatever the check leaves behind on the wire is cleared away; gives the errors that were queued by then."""
    told: list[int] = []
    try:
        yield told
    finally:
        session.distrust("a check broke the rules on purpose")
        told += [parse_error(entry).number for entry in session.resynchronise().errors]


def lines_that_come(session: Session, *messages: str, within_s: float = SHORT_S) -> list[str]:
    """Send messages without reading in between; the lines that come until it is quiet."""

    def read(wire: Wire, deadline: float) -> list[str]:
        for message in messages[1:]:
            wire.send(message, deadline)
        found = []
        while True:
            try:
                found.append(wire.text(min(deadline, time.monotonic() + within_s)))
            except LinkTimeout:
                return found

    found = session.exchange(messages[0], read, timeout_s=2 * within_s + session.timeout_s)
    for line in found:
        session.note("<", line)
    return found
