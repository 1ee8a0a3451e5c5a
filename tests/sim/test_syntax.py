"""Messages are taken apart as the standards say."""

from __future__ import annotations

import pytest
from greystep.sim_instruments.scpi.block import block_header
from greystep.sim_instruments.scpi.errors import ErrorQueue, ScpiError, event_bit
from greystep.sim_instruments.scpi.exchange import MessageExchange
from greystep.sim_instruments.scpi.parameters import HERTZ, SECONDS, VOLTS, Choice, Number, bind, number_text
from greystep.sim_instruments.scpi.status import Status
from greystep.sim_instruments.scpi.syntax import parse_number, parse_unit, split_outside_quotes
from greystep.sim_instruments.scpi.tree import Command, CommandTree
from hypothesis import given
from hypothesis import strategies as st

TREE = CommandTree(
    [
        Command("*IDN", query=lambda: "x"),
        Command("[SENSe:]VOLTage<1:2>:RANGe:PTPeak", query=lambda: "range"),
        Command("[SENSe:]VOLTage<1:2>:RANGe:OFFSet", query=lambda: "offset"),
        Command("INITiate[:IMMediate]", lambda: None),
        Command("TRACe[:DATA]", query=lambda: "data"),
    ]
)


def found(header: str, path: list[str] | None = None) -> tuple[str, list[int], list[str]]:
    command, suffixes, path = TREE.find(header, path or [])
    return command.header, suffixes, path


@pytest.mark.parametrize(
    "header",
    ["SENSe:VOLTage1:RANGe:PTPeak", "sens:volt1:rang:ptp", "VOLT:RANG:PTP", ":Volt1:RANGE:ptp", ":SENS:VOLTAGE:RANG:PTPEAK"],
)
def test_long_short_optional_and_mixed_forms_are_one_command(header: str) -> None:
    assert found(header)[:2] == ("[SENSe:]VOLTage<1:2>:RANGe:PTPeak", [1])


@pytest.mark.parametrize(
    "header", ["SENSE:VOLTA:RANG:PTP", "VOLT", "RANG:PTP", "INIT2", "SENS:INIT", "*XYZ", "TRACE:DAT", "V:R:P"]
)
def test_anything_else_is_undefined(header: str) -> None:
    with pytest.raises(ScpiError) as raised:
        found(header)
    assert raised.value.number == -113


def test_suffix_out_of_range_has_its_own_number() -> None:
    with pytest.raises(ScpiError) as raised:
        found("VOLT3:RANG:PTP")
    assert raised.value.number == -114


def test_path_is_kept_within_a_message_and_common_commands_leave_it_alone() -> None:
    _, suffixes, path = found("SENS:VOLT2:RANG:PTP")
    assert suffixes == [2]
    assert found("*IDN", path)[2] == path
    assert found("OFFS", path)[:2] == ("[SENSe:]VOLTage<1:2>:RANGe:OFFSet", [2])
    assert found(":INIT", path)[0] == "INITiate[:IMMediate]"
    with pytest.raises(ScpiError):
        found("INIT", path)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("?", -102),
        (",", -102),
        ("%ABC", -101),
        ("ABC,1", -103),
        ("ABC!", -101),
        ("A::B", -110),
        ("ABCDEFGHIJKLM 1", -112),
        ("ABC 1,", -109),
        ("ABC 1,,2", -102),
    ],
)
def test_malformed_units_give_the_number_of_their_kind(text: str, number: int) -> None:
    with pytest.raises(ScpiError) as raised:
        parse_unit(text)
    assert raised.value.number == number


def test_separators_inside_quotes_do_not_split() -> None:
    assert split_outside_quotes("A 'x;y';B \"p,q\"", ";") == ["A 'x;y'", 'B "p,q"']
    assert parse_unit("A 'x,y',2").data == ("'x,y'", "2")
    with pytest.raises(ScpiError) as raised:
        split_outside_quotes("A 'x;B", ";")
    assert raised.value.number == -151


@pytest.mark.parametrize(
    ("text", "units", "value"),
    [
        ("10 ms", SECONDS, 0.01),
        ("10MS", SECONDS, 0.01),
        ("2.5E-3", SECONDS, 2.5e-3),
        ("1 khz", HERTZ, 1e3),
        ("2MHZ", HERTZ, 2e6),
        ("+.5V", VOLTS, 0.5),
        ("500 mV", VOLTS, 0.5),
        ("#H1F", None, 31.0),
        ("#b101", None, 5.0),
        ("#Q17", None, 15.0),
        ("1. E2", None, 100.0),
    ],
)
def test_numbers_with_units(text: str, units: dict[str, float] | None, value: float) -> None:
    assert Number(-1e9, 1e9, 0.0, units).parse(text) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("abc", -104),
        ("'1'", -104),
        ("1.2.3", -121),
        ("1E99999", -123),
        ("3 V", -131),
        ("11", -222),
        ("-0.1", -222),
        ("#B12", -121),
    ],
)
def test_wrong_numbers_give_the_number_of_their_kind(text: str, number: int) -> None:
    with pytest.raises(ScpiError) as raised:
        Number(0, 10, 5, SECONDS).parse(text)
    assert raised.value.number == number


def test_limits_by_name_and_choices_by_short_form() -> None:
    limits = Number(0, 10, 5)
    assert [limits.parse(word) for word in ("MIN", "maximum", "Def")] == [0, 10, 5]
    assert Choice(("INTernal1", "BUS")).parse("internal1") == "INT1"
    with pytest.raises(ScpiError) as raised:
        Choice(("INTernal1", "BUS")).parse("INTE")
    assert raised.value.number == -224


def test_too_few_and_too_many_parameters() -> None:
    for data, number in (((), -109), (("1", "2"), -108)):
        with pytest.raises(ScpiError) as raised:
            bind((Number(0, 10, 5),), data)
        assert raised.value.number == number


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_are_answered_with_all_their_digits(value: float) -> None:
    assert parse_number(number_text(value)).value == value


def test_error_queue_is_first_in_first_out_and_says_when_it_overflowed() -> None:
    queue = ErrorQueue(3)
    for number in (-101, -102, -103, -104):
        queue.push(number, "x" * 500)
    taken = [queue.pop() for _ in range(4)]
    assert [number for number, _ in taken] == [-101, -102, -350, 0]
    assert all(len(text) <= 255 for _, text in taken)


@pytest.mark.parametrize(("number", "bit"), [(-113, 32), (-222, 16), (-350, 8), (-410, 4)])  # reference-checks 7.2
def test_error_classes_set_their_event_bit(number: int, bit: int) -> None:
    assert event_bit(number) == bit


def test_message_exchange_interrupts_and_misses_as_the_standard_says() -> None:
    status = Status()
    exchange = MessageExchange(status)
    exchange.message_arrives()
    exchange.answer([b"1"])
    exchange.message_arrives()  # the answer was never read
    assert status.errors.pop()[0] == -410
    assert exchange.read() == []  # and is lost
    assert status.errors.pop()[0] == -420
    exchange.answer([b"2"])
    assert exchange.read() == [b"2"]
    assert len(status.errors) == 0


@pytest.mark.parametrize(("count", "header"), [(0, b"#10"), (6, b"#16"), (13, b"#213"), (800000, b"#6800000")])
def test_block_header(count: int, header: bytes) -> None:
    assert block_header(count) == header
