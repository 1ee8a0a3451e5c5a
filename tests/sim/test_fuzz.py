"""Whatever a host sends, an instrument answers with the standard's errors and goes on."""

from __future__ import annotations

import asyncio
import contextlib

import pytest
from greystep.sim_instruments.clock import Clock
from greystep.sim_instruments.instruments.digitiser import Digitiser
from greystep.sim_instruments.instruments.meters import LuminanceMeter
from greystep.sim_instruments.instruments.pattern import PatternSource
from greystep.sim_instruments.scpi.instrument import Instrument
from greystep.sim_instruments.sensor import Photosensor
from greystep.sim_instruments.world import World
from hypothesis import given, settings
from hypothesis import strategies as st

HEADERS = [
    *("*RST", "*CLS", "*IDN?", "*ESE", "*ESE?", "*STB?", "*TRG", "*WAI", "SYST:ERR?", "STAT:OPER:COND?", "STAT:OPER?"),
    *("STAT:OPER:ENAB", "INIT", "ABOR", "READ?", "SWE:POIN", "SWE:TINT", "SWE:COUN", "SWE:OREF:POIN", "VOLT1:RANG:PTP"),
    *("VOLT2:RANG:OFFS?", "TRIG:SOUR", "TRIG:LEV", "TRIG:SLOP", "FORM", "FORM:BORD", "TRAC:COUN?", "TRAC:PRE?", "TRAC:CLIP?"),
    *("TRAC:TIM?", "TRAC?", "SOUR:LEV", "SOUR:LEV?", "SOUR:LIST:LEV", "SOUR:LIST:DWEL", "SOUR:WATC", "SOUR:SYNC:LOCK"),
    *("DISP:SETT", "DISP:SETT?", "DISP:SETT:VAL?", "LUM:APER"),
]
WORDS = [
    "MIN",
    "MAX",
    "DEF",
    "EXT",
    "IMM",
    "INT1",
    "BUS",
    "INT,16",
    "INT,8",
    "ASC",
    "ON",
    "vrr",
    "overdrive,off",
    "'text'",
    '"',
]
NUMBERS = ["0", "1", "2", "3", "255", "1E400", "-1E400", "1E-400", "#HFF", "#H", "1 V", "10 MS", "NAN", "INF"]
ATOMS = st.one_of(
    st.sampled_from(WORDS),
    st.sampled_from(NUMBERS),
    st.integers(-300, 5000).map(str),
    st.floats().map(repr),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=8),
)
UNITS = st.builds(lambda header, atoms: f"{header} {','.join(atoms)}", st.sampled_from(HEADERS), st.lists(ATOMS, max_size=3))
MESSAGES = st.lists(st.one_of(UNITS, UNITS, UNITS, ATOMS), max_size=4).map(";:".join)


def instruments() -> list[Instrument]:
    world = World(Clock("step"), "tessik-5", 1, Photosensor())
    return [Digitiser(world), PatternSource(world), LuminanceMeter(world)]


async def converse(messages: list[str]) -> None:
    for instrument in instruments():
        for message in messages:
            # *WAI may rightly wait for ever for a trigger that never comes.
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(instrument.execute(message), 0.2)
            numbers = [number for number, _ in iter(instrument.status.errors.pop, (0, "No error"))]
            assert -310 not in numbers, message
            # Keep what the fuzzer asked for within what a test has time for.
            await instrument.execute("ABOR;:SWE:POIN 100;COUN 3;*CLS")
        assert await instrument.execute("SYST:VERS?") == [b"1999.0"]


@given(st.lists(MESSAGES, max_size=4))
@settings(max_examples=300, deadline=None)
def test_no_message_breaks_an_instrument(messages: list[str]) -> None:
    asyncio.run(converse(messages))


@pytest.mark.parametrize("message", ["SWE:POIN 1E400", "SWE:POIN INF", "*ESE -1E400", "SOUR:LEV 1E400", "SWE:TINT 1E-400"])
def test_numbers_beyond_all_bounds_are_out_of_range(message: str) -> None:
    async def errors() -> list[int]:
        numbers = []
        for instrument in instruments():
            await instrument.execute(message)
            numbers += [number for number, _ in iter(instrument.status.errors.pop, (0, "No error"))]
        return numbers

    assert set(asyncio.run(errors())) <= {-222, -113, -104}
