"""Numbers in commands: reference checks 7.3, numbers 2 and 8, on a setting that the dialect names with its query."""

from __future__ import annotations

import math
from typing import Any

from greystep.plugins.testing.checking import Check, NotSupportedError, expect
from greystep.plugins.visa.session import Session
from greystep.schema.errors import InstrumentTimeoutError, ReplyError

from .talk import EXECUTION_ERROR, clean, errors, event, numbers, session_of


def _setting(instrument: Any) -> tuple[Session, str]:
    """Session, and the header of a setting whose value can be asked for. Raises NotSupportedError."""
    session = session_of(instrument)
    words = instrument._words
    confirm = getattr(words, "confirm", None)
    ask = getattr(confirm, "sample_interval_s", None) if confirm is not None else getattr(words, "aperture_set", None)
    if ask is None or not ask.ask.endswith("?") or "{" in ask.ask or ask.scale != 1 or ask.inverse:
        raise NotSupportedError("its dialect names no time setting with a query of its own")
    return session, ask.ask[:-1]


def out_of_range_is_told_and_changes_nothing(instrument: Any) -> str:
    """A value out of range is told as -222, sets bit 4 of the event register, and changes nothing."""
    session, header = _setting(instrument)
    clean(session)
    before = session.query(f"{header}?")
    session.write(f"{header} 1E30")
    told, register, after = errors(session), event(session), session.query(f"{header}?")
    expect(numbers(told) == [-222], f"queued: {', '.join(map(str, told)) or 'nothing'}")
    expect(register & EXECUTION_ERROR != 0, f"*ESR? = {register}")
    expect(after == before, f"{header}? was {before} and is {after}")
    return str(told[0])


def _ask(session: Session, query: str) -> float:
    try:
        return float(session.query(query))
    except (InstrumentTimeoutError, ReplyError):
        session.resynchronise()
        errors(session)
        raise NotSupportedError(f"{query} is not answered") from None
    except ValueError:
        raise NotSupportedError(f"{query} is not answered by a number") from None


def limits_have_names(instrument: Any) -> str:
    """MINimum and MAXimum can be asked for and set, DEFault can be set."""
    session, header = _setting(instrument)
    clean(session)
    low, high = _ask(session, f"{header}? MIN"), _ask(session, f"{header}? MAX")
    expect(low < high, f"MIN is {low:g} and MAX is {high:g}")
    session.write(f"{header} MINimum")
    found = float(session.query(f"{header}?"))
    expect(math.isclose(found, low, rel_tol=1e-6), f"{header} MIN sets {found:g} instead of {low:g}")
    session.write(f"{header} DEF")
    told = errors(session)
    expect(told == [], f"queued: {', '.join(map(str, told))}")
    return f"{low:g} to {high:g}"


def units_may_follow_a_number(instrument: Any) -> None:
    """A unit may follow a number: 100 MS is 0.1 s."""
    session, header = _setting(instrument)
    clean(session)
    session.write(f"{header} 0.1")
    plain = float(session.query(f"{header}?"))
    for text in ("100 MS", "100MS", "1E5 US", "0.1S"):
        session.write(f"{header} DEF")
        session.write(f"{header} {text}")
        found = float(session.query(f"{header}?"))
        told = errors(session)
        expect(told == [], f"{text}: {', '.join(map(str, told))}")
        expect(math.isclose(found, plain, rel_tol=1e-6), f"{text} sets {found:g} s instead of {plain:g} s")
    session.write(f"{header} 1 V")
    told = errors(session)
    expect(numbers(told) == [-131], f"a wrong unit is told as {', '.join(map(str, told)) or 'nothing'} instead of -131")


VALUES: tuple[Check, ...] = (out_of_range_is_told_and_changes_nothing, limits_have_names, units_may_follow_a_number)
