"""What any driver may rely on, over bare sockets: reference-checks 7.3 (IEEE 488.2, SCPI-1999)."""

from __future__ import annotations

import time

import pytest
from greystep.sim_instruments.testing import VirtualBench

from .dialogue import Dialogue

ROLES = ("digitiser", "pattern", "luminance", "power", "temperature")


@pytest.mark.parametrize("role", ROLES)
def test_common_commands_of_every_instrument(bench: VirtualBench, role: str) -> None:  # 7.3 item 1
    with Dialogue(bench.address(role)) as dialogue:
        dialogue.write("*RST;*CLS")
        assert dialogue.ask("*OPC?") == "1"
        fields = dialogue.ask("*IDN?").split(",")
        assert len(fields) == 4
        assert all(fields)
        assert dialogue.ask("*TST?") == "0"
        assert dialogue.ask("SYST:VERS?") == "1999.0"
        assert dialogue.ask("*ESR?") == "0"
        assert dialogue.errors() == []


def test_power_on_bit_is_set_once() -> None:  # 7.3 item 1
    with VirtualBench(speed="max") as fresh, Dialogue(fresh.address("digitiser")) as dialogue:
        assert int(dialogue.ask("*ESR?")) & 128
        assert dialogue.ask("*ESR?") == "0"


def test_undefined_header_is_one_command_error(digitiser: Dialogue) -> None:  # item 2
    digitiser.write("NONSense:HEADer 1")
    assert digitiser.ask("*ESR?") == "32"
    assert digitiser.ask("SYST:ERR:COUN?") == "1"
    assert digitiser.ask("SYST:ERR?").startswith('-113,"Undefined header')
    assert digitiser.ask("SYST:ERR?") == '0,"No error"'


def test_value_out_of_range_is_refused_and_the_old_one_stays(digitiser: Dialogue) -> None:  # item 2
    digitiser.write("SWE:POIN 1234")
    digitiser.write("SWE:POIN 1")
    assert digitiser.ask("*ESR?") == "16"
    assert digitiser.errors() == [-222]
    assert digitiser.ask("SWE:POIN?") == "1234"


def test_query_before_the_answer_is_read_interrupts_it(digitiser: Dialogue) -> None:  # item 3
    digitiser.write_raw(b"SYST:VERS?\n*OPC?\n")
    assert digitiser.read() == "1"  # the answer to the first is gone
    assert digitiser.ask("*ESR?") == "4"
    assert digitiser.errors() == [-410]


def test_command_while_a_query_waits_interrupts_it(digitiser: Dialogue) -> None:  # item 3
    digitiser.write("TRIG:SOUR EXT;:INIT")
    digitiser.write("*OPC?")  # nothing will ever trigger
    time.sleep(0.05)
    assert digitiser.ask("SYST:VERS?") == "1999.0"
    assert digitiser.errors() == [-410]
    digitiser.write("ABOR")


def test_reading_with_nothing_asked_gives_nothing_and_does_not_hang_the_instrument(digitiser: Dialogue) -> None:  # item 3
    digitiser.timeout(0.1)
    with pytest.raises(TimeoutError):
        digitiser.read()
    # A stream that timed out is of no use in Python: the instrument is asked on the bare socket.
    digitiser.timeout(5.0)
    digitiser.write("SYST:VERS?")
    assert digitiser._socket.recv(100) == b"1999.0\n"


def test_query_after_an_indefinite_answer_in_one_message(digitiser: Dialogue) -> None:  # item 4
    assert "Digitiser" in digitiser.ask("*IDN?;SYST:VERS?")
    assert digitiser.errors() == [-440]


def test_initiate_trigger_and_abort_in_the_wrong_state(digitiser: Dialogue) -> None:  # item 5
    digitiser.write("*TRG")
    assert digitiser.errors() == [-211]
    digitiser.write("TRIG:SOUR BUS;:INIT;INIT")
    assert digitiser.errors() == [-213]
    assert int(digitiser.ask("STAT:OPER:COND?")) & 32
    digitiser.write("ABOR;ABOR")
    assert digitiser.ask("STAT:OPER:COND?") == "0"
    assert digitiser.errors() == []


def test_error_queue_ends_and_shows_its_overflow(digitiser: Dialogue) -> None:  # item 7
    for _ in range(20):
        digitiser.write("FOO")
    assert int(digitiser.ask("SYST:ERR:COUN?")) == 16
    assert digitiser.errors() == [-113] * 15 + [-350]
    digitiser.write("FOO;*CLS")
    digitiser.write("*CLS")
    assert digitiser.errors() == []


@pytest.mark.parametrize("form", ["SENSe:SWEep:POINts", "sens:swe:poin", "SWEEP:POIN", ":SWE:POINTS"])
def test_long_and_short_forms(digitiser: Dialogue, form: str) -> None:  # item 8
    digitiser.write(f"{form} 777")
    assert digitiser.ask(f"{form}?") == "777"
    assert digitiser.errors() == []


def test_paths_units_and_limits(digitiser: Dialogue) -> None:  # item 8
    digitiser.write("SENS:SWE:TINT 20 us;POIN 500;COUN 3;:VOLT2:RANG:PTP 500 mV;OFFS MAX;:TRIG:LEV DEF")
    assert digitiser.ask("SWE:TINT?;POIN?;COUN?;:VOLT2:RANG:PTP?;OFFS?;:TRIG:LEV?") == "2E-05;500;3;0.5;20;1.5"
    assert digitiser.ask("SWE:POIN? MIN;POIN? MAX") == "2;4000000"
    digitiser.write("SWE:TINT 20 V")
    digitiser.write("SWE:TINT")
    digitiser.write("SWE:TINT 1E-3,2")
    digitiser.write("SWE:TINT ABC")
    digitiser.write("TRIG:SOUR ELSEwhere")
    digitiser.write("VOLT3:RANG:PTP 1")
    assert digitiser.errors() == [-131, -109, -108, -104, -224, -114]
    assert digitiser.ask("SWE:TINT?") == "2E-05"


def test_command_error_ends_the_message_and_execution_error_does_not(digitiser: Dialogue) -> None:
    digitiser.write("SWE:POIN 100;FOO;POIN 200")
    assert digitiser.ask("SWE:POIN?") == "100"
    digitiser.write("SWE:POIN 0;POIN 200")
    assert digitiser.ask("SWE:POIN?") == "200"
    assert digitiser.errors() == [-113, -222]


def test_status_byte_and_service_request(digitiser: Dialogue) -> None:
    digitiser.write("*ESE 32;*SRE 32")
    assert digitiser.ask("*ESE?;*SRE?") == "32;32"
    assert digitiser.ask("*STB?") == "0"
    digitiser.write("FOO")
    assert int(digitiser.ask("*STB?")) == 32 + 64 + 4
    assert digitiser.ask("*ESR?") == "32"
    assert int(digitiser.ask("*STB?")) == 4
    assert digitiser.errors() == [-113]
    digitiser.write("*ESE 0;*SRE 0")


def test_operation_complete_sets_its_bit_when_it_is(digitiser: Dialogue, pattern: Dialogue) -> None:
    digitiser.write("TRIG:SOUR EXT;:SWE:POIN 100;TINT 1E-5;:INIT;*OPC")
    assert digitiser.ask("*ESR?") == "0"
    pattern.write("SOUR:LEV 10")
    assert pattern.ask("*OPC?") == "1"
    assert digitiser.ask("*OPC?") == "1"
    assert digitiser.ask("*ESR?") == "1"


def test_wait_holds_back_what_follows_without_interrupting(pattern: Dialogue) -> None:
    pattern.write_raw(b"SOUR:LIST:LEV 1,2,3;DWEL 0.5;:INIT;*WAI;:SOUR:LEV 9\nSOUR:LEV?\n")
    assert pattern.read() == "9"
    assert pattern.errors() == []


def test_several_clients_have_answers_of_their_own(bench: VirtualBench) -> None:
    address = bench.address("pattern")
    with Dialogue(address) as first, Dialogue(address) as second:
        first.write("*IDN?")
        second.write("SOUR:LEV 77")
        assert second.ask("SOUR:LEV?") == "77"
        assert "Pattern" in first.read()
        assert first.ask("SOUR:LEV?") == "77"  # the instrument behind them is one


@pytest.mark.parametrize(
    "junk", [b"\xff\xfe\x00\n", b"\n\n;;\n", b"'abc\n", b"SWE:POIN 'x\n", b"*\n", b"::\n", b"A" * 5000 + b"\n"]
)
def test_junk_is_an_error_and_never_an_end(digitiser: Dialogue, junk: bytes) -> None:
    digitiser.write_raw(junk + b"\n")
    assert digitiser.ask("SYST:VERS?") == "1999.0"
    assert all(-200 < number <= -100 for number in digitiser.errors())
