"""Every fault that can be ordered happens, is counted, and is over when it is over."""

from __future__ import annotations

import time

import numpy as np
import pytest
from greystep.sim_instruments.faults.order import KINDS
from greystep.sim_instruments.testing import VirtualBench

from .dialogue import Dialogue

VERSION = "1999.0"


def fill_memory(digitiser: Dialogue) -> None:
    digitiser.write("TRIG:SOUR IMM;:SWE:POIN 5000;TINT 1E-5;COUN 1;:INIT")
    assert digitiser.ask("*OPC?") == "1"


def test_silence_after_some_commands(bench: VirtualBench, digitiser: Dialogue) -> None:
    number = bench.fault("digitiser", "silence", after=2, times=2)
    assert digitiser.ask("SYST:VERS?") == VERSION
    assert digitiser.ask("SYST:VERS?") == VERSION
    for _ in range(2):
        digitiser.write("SYST:VERS?")
        time.sleep(0.03)
    assert digitiser.ask("*OPC?") == "1"
    assert bench.hits(number) == 2


def test_garbage(bench: VirtualBench, digitiser: Dialogue) -> None:
    number = bench.fault("digitiser", "garbage", match="VERS")
    assert digitiser.ask("SYST:VERS?") != VERSION
    assert bench.hits(number) == 1


def test_half_a_reply(bench: VirtualBench, digitiser: Dialogue) -> None:
    number = bench.fault("digitiser", "half", match="VERS")
    digitiser.write("SYST:VERS?")
    assert digitiser.read_exactly(3) == b"199"
    assert digitiser.ask("SYST:VERS?") == VERSION  # the rest never comes
    assert bench.hits(number) == 1


@pytest.mark.parametrize("delta", [1000, -1000])
def test_wrong_block_length(bench: VirtualBench, digitiser: Dialogue, delta: int) -> None:
    fill_memory(digitiser)
    number = bench.fault("digitiser", "wrong_length", delta=delta)
    assert digitiser.ask("SYST:VERS?") == VERSION  # no block: not meant
    digitiser.write("TRAC? 1")
    stated = str(10000 + delta).encode()
    assert digitiser.read_exactly(2 + len(stated)) == f"#{len(stated)}".encode() + stated
    assert len(digitiser.read_exactly(10001)) == 10001
    assert bench.hits(number) == 1
    assert len(digitiser.block("TRAC? 1")) == 10000


def test_disconnect_in_the_middle_of_a_block(bench: VirtualBench, digitiser: Dialogue) -> None:
    fill_memory(digitiser)
    number = bench.fault("digitiser", "disconnect", match="TRAC?")
    digitiser.write("TRAC? 1")
    assert 4000 < len(digitiser.read_exactly(10008)) < 6000
    assert bench.hits(number) == 1
    with Dialogue(bench.address("digitiser")) as again:
        assert len(again.block("TRAC? 1")) == 10000


def test_slow_drip(bench: VirtualBench, digitiser: Dialogue) -> None:
    number = bench.fault("digitiser", "drip", bytes=1, every_s=0.03)
    start = time.monotonic()
    assert digitiser.ask("SYST:VERS?") == VERSION
    assert time.monotonic() - start > 0.03 * 5
    assert bench.hits(number) == 1


def test_late_reply_is_overtaken(bench: VirtualBench, digitiser: Dialogue) -> None:
    number = bench.fault("digitiser", "stale", delay_s=0.15)
    digitiser.write("SYST:VERS?")
    time.sleep(0.02)
    assert digitiser.ask("*OPC?") == "1"
    assert digitiser.read() == VERSION
    assert bench.hits(number) == 1


def test_answers_slip_by_one(bench: VirtualBench, digitiser: Dialogue) -> None:
    assert digitiser.ask("SWE:COUN?") == "1"
    number = bench.fault("digitiser", "swapped", times=2)
    assert digitiser.ask("SYST:VERS?") == "1"
    assert digitiser.ask("TRIG:SLOP?") == VERSION
    assert digitiser.ask("TRIG:SLOP?") == "POS"
    assert bench.hits(number) == 2


def test_refused_connections(bench: VirtualBench, digitiser: Dialogue) -> None:
    number = bench.fault("digitiser", "refuse", seconds=0.3)
    digitiser.write("SYST:VERS?")
    assert digitiser.read() == ""  # hung up
    with pytest.raises(ConnectionRefusedError):
        Dialogue(bench.address("digitiser"))
    assert bench.hits(number) == 1
    reopen(bench, "digitiser").close()


def reopen(bench: VirtualBench, role: str) -> Dialogue:
    """A connection as soon as the instrument is back."""
    deadline = time.monotonic() + 5.0
    while True:
        try:
            return Dialogue(bench.address(role))
        except ConnectionRefusedError:
            assert time.monotonic() < deadline
            time.sleep(0.02)


def test_reboot_with_another_identity(bench: VirtualBench, pattern: Dialogue) -> None:
    before = pattern.ask("*IDN?")
    assert pattern.ask("SOUR:LEV 200;:SOUR:LIST:LEV 1,2,3;COUN?") == "3"
    number = bench.fault("pattern", "reboot", seconds=0.1, serial="VB-P-0777", firmware="1.2")
    pattern.write("SYST:VERS?")
    assert pattern.read() == ""
    with reopen(bench, "pattern") as back:
        assert back.ask("*IDN?") != before
        assert back.ask("*IDN?").endswith("VB-P-0777,1.2")
        assert int(back.ask("*ESR?")) & 128
        assert back.ask("SOUR:LIST:COUN?;:SOUR:LEV?") == "0;0"
    assert bench.hits(number) == 1
    bench.clear_faults()
    with Dialogue(bench.address("pattern")) as back:
        assert back.ask("*IDN?") == before


def test_stuck_trigger(bench: VirtualBench, digitiser: Dialogue, pattern: Dialogue) -> None:
    number = bench.fault("digitiser", "stuck_trigger", times=1)
    for expected in ("0", "1"):
        assert digitiser.ask("TRIG:SOUR EXT;:SWE:POIN 100;TINT 1E-5;:INIT;:STAT:OPER:COND?") == "32"
        pattern.write("SOUR:LEV 5")
        assert pattern.ask("*OPC?") == "1"
        bench.skip(0.1)
        assert digitiser.ask("TRAC:COUN?") == expected
        assert digitiser.ask("STAT:OPER:COND?") == ("32" if expected == "0" else "0")
        digitiser.write("ABOR")
    assert bench.hits(number) == 1


def test_full_error_queue(bench: VirtualBench, digitiser: Dialogue) -> None:
    number = bench.fault("digitiser", "error_queue_full")
    assert digitiser.ask("SYST:ERR:COUN?") == "16"
    assert digitiser.errors() == [-310] * 15 + [-350]
    assert bench.hits(number) == 1


def test_another_instrument_at_the_address(bench: VirtualBench, digitiser: Dialogue) -> None:
    number = bench.fault("digitiser", "other_instrument")
    assert "Function Generator" in digitiser.ask("*IDN?")
    digitiser.write("SWE:POIN 100")
    assert digitiser.errors() == [-113]
    assert bench.hits(number) == 1
    bench.clear_faults()
    assert "Digitiser" in digitiser.ask("*IDN?")


def test_fault_of_one_instrument_leaves_the_others_alone(bench: VirtualBench, digitiser: Dialogue, pattern: Dialogue) -> None:
    number = bench.fault("digitiser", "silence")
    assert pattern.ask("SYST:VERS?") == VERSION
    assert bench.hits(number) == 0
    assert len(np.unique(sorted(KINDS))) == 13


@pytest.mark.parametrize(
    ("order", "reason"),
    [
        ({"instrument": "digitiser", "kind": "explosion"}, "no fault 'explosion'"),
        ({"instrument": "toaster", "kind": "silence"}, "no instrument 'toaster'"),
        ({"instrument": "digitiser", "kind": "drip", "speed": 1}, "drip has no speed"),
    ],
)
def test_wrong_orders_are_refused_with_the_reason(bench: VirtualBench, order: dict[str, object], reason: str) -> None:
    with pytest.raises(RuntimeError, match=reason):
        bench.side_door.ask("fault", **order)


@pytest.mark.parametrize("line", [b"{", b"[]", b'"x"', b'{"op": "nonsense"}', b'{"op": "truth", "acquisition": "x"}', b"\xff"])
def test_junk_at_the_side_door_gets_an_answer(bench: VirtualBench, line: bytes) -> None:
    with Dialogue(("127.0.0.1", bench.hello()["side_door"]["port"])) as door:
        door.write_raw(line + b"\n")
        assert '"ok": false' in door.read()
        assert '"ok": true' in door.ask('{"op": "hello"}')
