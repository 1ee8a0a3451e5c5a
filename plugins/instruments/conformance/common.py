"""IEEE 488.2 and SCPI-1999 for every instrument: reference checks 7.3, numbers 1 to 4, 7 and 8."""

from __future__ import annotations

import time
from typing import Any, Final

from greystep.plugins.testing.checking import Check, NotSupportedError, expect
from greystep.plugins.visa.errors import QUEUE_OVERFLOW, parse_error
from greystep.schema.errors import InstrumentTimeoutError, ReplyError

from .talk import COMMAND_ERROR, SHORT_S, clean, errors, event, lines_that_come, numbers, put_right, session_of

NONSENSE: Final = "NOSUCH:HEADER"
MANY: Final = 100


def identity_has_four_fields(instrument: Any) -> str:
    """*IDN? has four fields: maker, model, serial number, firmware."""
    identity = session_of(instrument).query("*IDN?")
    fields = identity.split(",")
    expect(len(fields) == 4, f"{len(fields)} fields: {identity!r}")
    expect(bool(fields[0].strip() and fields[1].strip()), f"maker or model is empty: {identity!r}")
    return identity


def reset_and_clear_are_known(instrument: Any) -> None:
    """*RST and *CLS are known, and *OPC? answers 1 when they are done."""
    session = session_of(instrument)
    session.write("*RST")
    session.write("*CLS")
    reply = session.query("*OPC?")
    expect(reply == "1", f"*OPC? answers {reply!r}")
    expect(errors(session) == [], "they leave errors behind")


def event_register_is_cleared_by_reading(instrument: Any) -> None:
    """*ESR? clears the event register."""
    session = session_of(instrument)
    session.write(NONSENSE)
    one, other = event(session), event(session)
    errors(session)
    expect(one & COMMAND_ERROR != 0, f"*ESR? = {one} after an unknown command; bit 5 is not set")
    expect(other == 0, f"*ESR? = {other} when read again")


def power_on_is_told(instrument: Any) -> None:
    """After power-on, bit 7 of the event register is set."""
    session_of(instrument)
    raise NotSupportedError("it would have to be switched off and on")


def unknown_header_is_told_once(instrument: Any) -> str:
    """An unknown header is told once, as -113, and sets bit 5 of the event register."""
    session = session_of(instrument)
    clean(session)
    session.write(NONSENSE)
    told, register = errors(session), event(session)
    expect(numbers(told) == [-113], f"queued: {', '.join(map(str, told)) or 'nothing'}")
    expect(register & COMMAND_ERROR != 0, f"*ESR? = {register}")
    return str(told[0])


def a_second_query_interrupts_the_first(instrument: Any) -> str:
    """A query that comes before the answer to the last was read interrupts that one: -410."""
    session = session_of(instrument)
    clean(session)
    with put_right(session) as told:
        came = lines_that_come(session, "*OPC?", "*IDN?")
    identity = session.query("*IDN?")
    if -410 in told:
        expect(came == [identity], f"after -410, {came} came instead of the second answer alone")
        return "-410"
    if came == [identity] and "hislip" in session.resource.lower():
        # IVI-6.1, interrupted protocol [memory]: a client drops an answer whose message id is not that of its last query.
        raise NotSupportedError("its first answer was on the way already and was dropped by the transport's rules")
    expect(came == ["1", identity], f"{came} came")
    raise NotSupportedError("it answers one query after the other, as is usual on this transport")


def reading_without_asking_times_out(instrument: Any) -> str:
    """Reading when nothing was asked for ends with a time-out, or with -420."""
    session = session_of(instrument)
    clean(session)
    started = time.monotonic()
    with put_right(session):
        came = lines_that_come(session, "*WAI")
    took_s = time.monotonic() - started
    expect(came == [], f"{came} came")
    expect(took_s < 10 * SHORT_S + session.timeout_s, f"it took {took_s:.1f} s")
    return f"{took_s:.1f} s"


def both_buffers_full_is_told(instrument: Any) -> None:
    """With both buffers full it tells -430."""
    session_of(instrument)
    raise NotSupportedError("that would need a message longer than all its buffers")


def nothing_follows_an_indefinite_answer(instrument: Any) -> str:
    """A query behind *IDN? in one message is -440, since an identity has no definite end."""
    session = session_of(instrument)
    clean(session)
    identity = session.query("*IDN?")
    with put_right(session) as told:
        came = lines_that_come(session, "*IDN?;*OPC?")
    if -440 in told:
        expect(came in ([identity], []), f"{came} came")
        return "-440"
    expect(came == [f"{identity};1"], f"{came} came")
    raise NotSupportedError("it answers both")


def error_queue_comes_to_its_end(instrument: Any) -> str:
    """The error queue can be emptied, and shows -350 when more came than it holds."""
    session = session_of(instrument)
    clean(session)
    for _ in range(MANY):
        session.write(NONSENSE)
    told = numbers(errors(session))
    expect(bool(told) and len(told) <= MANY, f"{len(told)} entries after {MANY} errors")
    expect(set(told) <= {-113, QUEUE_OVERFLOW}, f"entries {sorted(set(told))}")
    if QUEUE_OVERFLOW not in told:
        expect(len(told) == MANY, f"{len(told)} entries after {MANY} errors, and none is -350")
        raise NotSupportedError(f"it holds {MANY} errors and more")
    expect(told[-1] == QUEUE_OVERFLOW, "-350 is not the newest entry")
    return f"{len(told)} entries"


def headers_have_short_and_long_forms(instrument: Any) -> None:
    """Short and long forms, in any case, are the same."""
    session = session_of(instrument)
    clean(session)
    for query in ("SYST:ERR?", "SYSTEM:ERROR?", "system:error:next?", "SyStEm:ErR:nExT?", "*esr?"):
        try:
            session.query(query, timeout_s=SHORT_S + session.timeout_s)
        except (InstrumentTimeoutError, ReplyError):
            session.resynchronise()
            expect(False, f"{query} is not answered")
    told = errors(session)
    expect(told == [], f"queued: {', '.join(map(str, told))}")


def paths_follow_colon_and_semicolon(instrument: Any) -> None:
    """`;` keeps the path, `;:` goes back to the root, and a common command does not disturb it."""
    session = session_of(instrument)
    clean(session)
    for message, count in (("SYST:ERR?;ERR?", 2), ("SYST:ERR?;:SYST:ERR?", 2), ("SYST:ERR?;*ESR?;ERR?", 3)):
        try:
            reply = session.query(message)
        except (InstrumentTimeoutError, ReplyError):
            session.resynchronise()
            expect(False, f"{message} is not answered")
        expect(reply.count(";") == count - 1, f"{message} is answered by {reply!r}")
        parse_error(reply.split(";")[-1])
    told = errors(session)
    expect(told == [], f"queued: {', '.join(map(str, told))}")


COMMON: tuple[Check, ...] = (
    identity_has_four_fields,
    reset_and_clear_are_known,
    event_register_is_cleared_by_reading,
    power_on_is_told,
    unknown_header_is_told_once,
    a_second_query_interrupts_the_first,
    reading_without_asking_times_out,
    both_buffers_full_is_told,
    nothing_follows_an_indefinite_answer,
    error_queue_comes_to_its_end,
    headers_have_short_and_long_forms,
    paths_follow_colon_and_semicolon,
)
