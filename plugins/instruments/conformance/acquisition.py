"""A digitiser's trigger system and data formats: reference checks 7.3, numbers 5 and 6."""

from __future__ import annotations

from typing import Any

import numpy as np
from greystep.plugins.testing.checking import Check, NotSupportedError, expect
from greystep.plugins.testing.digitiser import setup_for
from greystep.plugins.visa.link import LinkTimeout
from greystep.plugins.visa.wire import Wire
from greystep.schema.errors import RefusedError
from numpy.typing import NDArray

from ..template import fill
from .talk import clean, errors, numbers, session_of


def _armed(instrument: Any) -> Any:
    session = session_of(instrument)
    try:
        instrument.configure(setup_for(instrument, trigger="sync"))
    except RefusedError as exc:
        raise NotSupportedError("it has no external trigger") from exc
    instrument.arm()
    clean(session)
    return session


def starting_twice_is_ignored(instrument: Any) -> str:
    """INITiate while it is already waiting is told as -213."""
    session = _armed(instrument)
    for command in instrument._words.arm:
        session.write(fill(command, {"segments": 1}))
    told = errors(session)
    instrument.abort()
    expect(numbers(told) == [-213], f"queued: {', '.join(map(str, told)) or 'nothing'}")
    return str(told[0])


def trigger_when_idle_is_ignored(instrument: Any) -> str:
    """A trigger that nothing waits for is told as -211."""
    session = session_of(instrument)
    instrument.abort()
    clean(session)
    session.write("*TRG")
    told = errors(session)
    expect(numbers(told) == [-211], f"queued: {', '.join(map(str, told)) or 'nothing'}")
    return str(told[0])


def abort_returns_to_idle(instrument: Any) -> None:
    """ABORt returns to idle, also when it is idle already."""
    session = _armed(instrument)
    instrument.abort()
    armed = instrument._words.armed
    if armed is not None:
        expect(not instrument.port.holds(armed), "it still waits for the trigger after ABORt")
    instrument.abort()
    expect(errors(session) == [], "ABORt when idle leaves errors behind")


def _recorded(instrument: Any) -> Any:
    """Session of an instrument with one free-running record in memory, and SCPI's words for its format."""
    session = session_of(instrument)
    if not any(command.upper().startswith("FORM") for command in instrument._words.prepare):
        raise NotSupportedError("its dialect does not use FORMat")
    try:
        instrument.configure(setup_for(instrument))
    except RefusedError as exc:
        raise NotSupportedError("it can't record without a trigger") from exc
    instrument.arm()
    expect(instrument.wait(10.0) == 1, "no record in 10 s")
    return session


def _data_query(instrument: Any) -> str:
    places = {"channel": 1, "first": 1, "count": 1, "segment": 1, "points": 0, "samples": 0}
    return fill(instrument._words.waveform.data.ask, places)


def byte_orders_agree(instrument: Any) -> None:
    """FORMat:BORDer NORMal is big endian, SWAPped is little endian, and both give the same record."""
    session, query = _recorded(instrument), _data_query(instrument)
    session.write("FORM INT,16")
    got: dict[str, NDArray[Any]] = {}
    for order, dtype in (("NORM", ">i2"), ("SWAP", "<i2")):
        session.write(f"FORM:BORD {order}")
        got[order] = session.query_block(query).view(dtype)
    told = errors(session)
    expect(told == [], f"queued: {', '.join(map(str, told))}")
    expect(np.array_equal(got["NORM"], got["SWAP"]), "the two byte orders give different records")


def formats_agree(instrument: Any) -> str:
    """INTeger, REAL and ASCii give the same volts: the scaling is applied once."""
    session, query = _recorded(instrument), _data_query(instrument)
    channel = instrument.fetch().channels[1]
    volts = channel.codes[0] * channel.scale + channel.offset
    session.write("FORM REAL,32")
    session.write("FORM:BORD NORM")
    real = session.query_block(query).view(">f4").astype(float)
    session.write("FORM ASC")
    text = np.array([float(item) for item in session.query(query).split(",")])
    for command in instrument._words.prepare:
        session.write(command)
    told = errors(session)
    expect(told == [], f"queued: {', '.join(map(str, told))}")
    for name, values in (("REAL,32", real), ("ASCii", text)):
        expect(values.shape == volts.shape, f"{name} gives {values.size} values instead of {volts.size}")
        worst = float(np.abs(values - volts).max())
        expect(worst <= abs(channel.scale), f"{name} differs by up to {worst:g} V")
    return f"within {abs(channel.scale):g} V"


def a_block_that_was_broken_off_is_cleared(instrument: Any) -> None:
    """After a read that ends within a block, the next answer is right."""
    session, query = _recorded(instrument), _data_query(instrument)

    def break_off(wire: Wire, deadline: float) -> None:
        wire.before(b"#", deadline)
        raise LinkTimeout("broken off by a check")

    try:
        session.exchange(query, break_off)
    except Exception as exc:
        expect("broken off" in str(exc), str(exc))
    reply = session.query("*OPC?")
    expect(reply == "1", f"*OPC? is answered by {reply!r}")


ACQUISITION: tuple[Check, ...] = (
    starting_twice_is_ignored,
    trigger_when_idle_is_ignored,
    abort_returns_to_idle,
    byte_orders_agree,
    formats_agree,
    a_block_that_was_broken_off_is_cleared,
)
