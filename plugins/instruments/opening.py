"""Open a SCPI driver from its settings. Everything heavy is imported here, when an instrument is really wanted."""

from __future__ import annotations

import re
from typing import Any

from greystep.plugins.visa.link import Link
from greystep.plugins.visa.recording import recording_opener, start_recorder
from greystep.plugins.visa.resync import Words
from greystep.plugins.visa.session import Opener, Session
from greystep.plugins.visa.wire import Terminators
from greystep.schema.errors import InstrumentError, InstrumentTimeoutError, ReplyError
from greystep.schema.roles import DialogueSink

from .dialect import Dialect
from .dialects import find_dialect
from .digitiser import ScpiDigitiser
from .instrument import ScpiInstrument
from .meter import ScpiMeter
from .pattern import ScpiPattern
from .port import Port
from .session_words import SessionWords
from .settings import ScpiSettings


def open_scpi(role: str, settings: ScpiSettings, dialogue: DialogueSink) -> Any:
    """The opened driver of a role. Raises InputError for the dialect, InstrumentError for the rest."""
    dialect = find_dialect(settings.dialect, role, settings.dialect_paths)
    if settings.record is None:
        return open_over(link_opener(settings), role, settings, dialect, dialogue)
    from .recorded import recording_head

    recorder = start_recorder(settings.record, recording_head(role, settings, dialect))
    try:
        driver = open_over(recording_opener(link_opener(settings), recorder), role, settings, dialect, dialogue)
    except BaseException:
        recorder.close()
        raise
    driver.port.session.on_close = recorder.close
    return driver


def open_over(opener: Opener, role: str, settings: ScpiSettings, dialect: Dialect, dialogue: DialogueSink) -> Any:
    """The opened driver over links of any kind. Raises InstrumentError."""
    session = open_session(role, settings, dialect.session, dialogue, opener)
    try:
        driver = _driver(role, Port(session, dialect.session), settings, dialect)
        start(driver, dialect)
    except BaseException:
        session.close()
        raise
    return driver


def link_opener(settings: ScpiSettings) -> Opener:
    """Opens the VISA resource of the settings."""

    def opener(deadline: float) -> Link:
        from greystep.plugins.visa.opening import SerialLine, open_link

        line = SerialLine(settings.baud_rate, settings.data_bits, settings.parity, settings.stop_bits)
        return open_link(settings.resource, deadline, library=settings.visa_library, line=line)

    return opener


def open_session(role: str, settings: ScpiSettings, words: SessionWords, dialogue: DialogueSink, opener: Opener) -> Session:
    """An open session that speaks the dialect's terminators and knows its words for resynchronisation."""
    session = Session(
        opener,
        role=role,
        resource=settings.resource,
        timeout_s=settings.timeout_s,
        open_timeout_s=settings.open_timeout_s,
        words=Words(
            identity=words.identity,
            echo=words.echo,
            echo_end=words.echo_end,
            echo_values=words.echo_values,
            guard=words.guard,
            ready=words.ready,
            ready_reply=words.ready_reply,
            next_error=words.next_error,
        ),
        terminators=Terminators(
            words.terminator.encode("latin-1"),
            words.reply_terminator.encode("latin-1"),
            words.block_terminator.encode("latin-1"),
        ),
        note=lambda direction, text: dialogue(role, direction, text),
    )
    session.open()
    return session


def start(driver: ScpiInstrument, dialect: Dialect) -> None:
    """Identity check, reset where wanted, start commands. Raises InstrumentError."""
    port, settings = driver.port, driver._settings
    try:
        port.session.verify()
    except (InstrumentTimeoutError, ReplyError) as exc:
        words = dialect.session
        asked = words.echo.format(token=1) if words.echo else words.ready or words.identity
        exc.todo = (
            exc.todo or f"check that it understands {asked!r}, which dialect {dialect.name!r} says; else choose another dialect"
        )
        raise
    port.send(dialect.session.startup)
    identity = driver.identify()
    if not re.search(dialect.session.identity_pattern, identity):
        raise InstrumentError(
            f"this is {identity!r}, which dialect {dialect.name!r} is not made for",
            role=port.role,
            where=settings.resource,
            todo=f"its identity must contain {dialect.session.identity_pattern!r}; choose another dialect or address",
        )
    if identity:
        port.session.know(identity)
    if settings.reset:
        port.do("resetting it", dialect.session.reset)
    port.do(
        "sending the start commands of bench.toml",
        tuple(text.replace("{", "{{").replace("}", "}}") for text in settings.startup),
    )
    driver.begin()


def _driver(role: str, port: Port, settings: ScpiSettings, dialect: Dialect) -> ScpiInstrument:
    words = dialect.words(role)
    if role == "digitiser":
        return ScpiDigitiser(port, settings, dialect.name, words)
    if role == "pattern":
        return ScpiPattern(port, settings, dialect.name, words)
    return ScpiMeter(port, settings, dialect.name, words)
