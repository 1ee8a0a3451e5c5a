"""What every SCPI driver stands on: a session, the dialect's words for it, and the instrument's error queue."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

from greystep.plugins.visa.errors import QueuedError, parse_error
from greystep.plugins.visa.resync import MAX_QUEUED_ERRORS, Recovered
from greystep.plugins.visa.session import Session
from greystep.schema.errors import InstrumentError, InstrumentTimeoutError, RefusedError, ReplyError

from .ask import Ask, Condition
from .session_words import SessionWords
from .template import fill

T = TypeVar("T")


class Port:
    """Sends a dialect's commands and reads its replies. Raises InstrumentError with the role everywhere."""

    def __init__(self, session: Session, words: SessionWords) -> None:
        self.session = session
        self.words = words

    @property
    def role(self) -> str:
        """Role of the instrument."""
        return self.session.role

    def send(self, templates: tuple[str, ...], **values: Any) -> None:
        """Send a step's commands one after another."""
        for template in templates:
            self.session.write(fill(template, values))
            if self.words.delay_s:
                time.sleep(self.words.delay_s)
            if self.words.ready_after_command:
                self.ready()

    def do(self, doing: str, templates: tuple[str, ...], **values: Any) -> None:
        """Send a step's commands and look whether the instrument took them. Raises RefusedError saying what was being done."""
        self.send(templates, **values)
        if templates:
            self.check(doing, "; ".join(fill(template, values) for template in templates))

    def ready(self) -> None:
        """Wait until the instrument has done everything before."""
        if self.words.ready:
            reply = self.session.query(self.words.ready)
            if reply != self.words.ready_reply:
                raise self.distrusted(ReplyError("that is no answer to a plain question", received=reply), self.words.ready)

    def check(self, doing: str, sent: str = "") -> None:
        """Empty the error queue. Raises RefusedError with the instrument's own number and text when it wasn't empty."""
        found: list[QueuedError] = []
        while self.words.next_error and len(found) < MAX_QUEUED_ERRORS:
            reply = self.session.query(self.words.next_error)
            entry = self.read(self.words.next_error, partial(parse_error, reply))
            if entry.number == 0:
                break
            found.append(entry)
        if found:
            more = f" (and {len(found) - 1} more: {', '.join(map(str, found[1:4]))})" if len(found) > 1 else ""
            raise RefusedError(f"{doing}: {found[0]}{more}", role=self.role, where=self.session.resource, sent=sent)

    def ask(self, ask: Ask, kind: str, *, noted: bool = True, **values: Any) -> Any:
        """Value of a query; `kind` is the method of `Ask` that reads it: number, whole, text, items, numbers."""
        sent = fill(ask.ask, values)
        reply = self.session.query(sent, noted=noted)
        return self.read(sent, lambda: getattr(ask, kind)(reply))

    def holds(self, condition: Condition, *, noted: bool = True) -> bool:
        """Whether a condition holds."""
        reply = self.session.query(condition.ask, noted=noted)
        return bool(self.read(condition.ask, lambda: condition.holds(reply)))

    def read(self, sent: str, reading: Callable[[], T]) -> T:
        """Result of reading a reply; one that can't be read puts the session in doubt."""
        try:
            return reading()
        except ReplyError as exc:
            raise self.distrusted(exc, sent) from exc.__cause__

    def distrusted(self, error: InstrumentError, sent: str) -> InstrumentError:
        """The error with the port's particulars; nothing more is believed before a resynchronisation."""
        self.session.distrust(error.what)
        error.role, error.where, error.sent = self.role, self.session.resource, error.sent or sent
        error.retryable = True
        return error

    def identify(self) -> str:
        """Identity in the instrument's own words; empty when it can't say."""
        return self.session.query(self.words.identity) if self.words.identity else ""

    def recover(self) -> Recovered:
        """Resynchronise and send the start commands again."""
        found = self.session.resynchronise()
        self.send(self.words.startup)
        return found

    def late(self, what: str) -> InstrumentTimeoutError:
        """Error for something that the instrument did not reach in time although it answers."""
        return InstrumentTimeoutError(what, role=self.role, where=self.session.resource, retryable=True)
