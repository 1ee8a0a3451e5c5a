"""One clock: records depend on simulated time only, and a dialogue can be repeated to the bit."""

from __future__ import annotations

import time

import numpy as np
import pytest
from greystep.sim_instruments.clock import Clock
from greystep.sim_instruments.testing import VirtualBench

from .dialogue import Dialogue


def measure(bench: VirtualBench, dwell_s: float = 0.1) -> np.ndarray:
    """Codes of four segments of the light, shape (4, 800)."""
    with Dialogue(bench.address("digitiser")) as digitiser, Dialogue(bench.address("pattern")) as pattern:
        digitiser.write(
            "*RST;*CLS;:TRIG:SOUR EXT;:SWE:TINT 5E-5;POIN 800;OREF:POIN 100;:SWE:COUN 4;:VOLT1:RANG:PTP 6;OFFS 2.5;:INIT"
        )
        pattern.write(f"*RST;:SOUR:LIST:LEV 0,192,64,255;DWEL {dwell_s};:INIT")
        assert pattern.ask("*OPC?") == "1"
        assert digitiser.ask("*OPC?") == "1"
        assert digitiser.errors() == pattern.errors() == []
        return np.frombuffer(digitiser.block("TRAC? 1"), ">i2").astype(int).reshape(4, 800)


def test_the_same_dialogue_gives_the_same_records_to_the_bit_and_another_seed_does_not(reference: np.ndarray) -> None:
    records = [reference]
    for seed in (3, 4):
        with VirtualBench(speed="step", seed=seed) as bench:
            records.append(measure(bench))
    np.testing.assert_array_equal(records[0], records[1])
    assert np.any(records[0] != records[2])
    # Another seed is other noise, not another display: 0.15 mV of 6 V are 1.6 codes.
    assert np.abs(records[0] - records[2]).max() < 20


@pytest.fixture(scope="module")
def reference() -> np.ndarray:
    """What a bench gives whose clock only jumps."""
    with VirtualBench(speed="step", seed=3) as bench:
        return measure(bench)


@pytest.mark.parametrize("speed", [1, 20, "max"])
def test_real_accelerated_and_jumping_time_give_the_same_physics(speed: float | str, reference: np.ndarray) -> None:
    with VirtualBench(speed=speed, seed=3) as bench:
        start = time.monotonic()
        found = measure(bench)
        elapsed = time.monotonic() - start
    # The first edge may come before the display has rested; from the second on all is settled.
    assert np.abs(found[1:] - reference[1:]).max() < 20
    if speed == 1:
        assert elapsed > 0.38
    if speed == "max":
        assert elapsed < 0.38


def test_jumping_time_makes_long_waits_short() -> None:
    with VirtualBench(speed="max") as bench:
        start = time.monotonic()
        measure(bench, dwell_s=60.0)
        assert time.monotonic() - start < 5.0
        assert bench.hello()["now_s"] > 240.0


def test_status_polling_of_the_digitiser_moves_jumping_time() -> None:
    with (
        VirtualBench(speed="step") as bench,
        Dialogue(bench.address("digitiser")) as digitiser,
        Dialogue(bench.address("pattern")) as pattern,
    ):
        digitiser.write("TRIG:SOUR EXT;:SWE:TINT 1E-4;POIN 100;COUN 3;:INIT")
        assert digitiser.ask("TRAC:COUN?") == "0"  # nothing planned: time stands still
        assert digitiser.ask("TRAC:COUN?") == "0"
        assert pattern.ask("SOUR:LIST:LEV 0,255,0;DWEL 10;:INIT;:STAT:OPER:COND?") == "8"
        assert [digitiser.ask("TRAC:COUN?") for _ in range(4)] == ["1", "2", "3", "3"]
        assert pattern.ask("*OPC?") == "1"


def test_meter_takes_its_aperture_of_simulated_time() -> None:
    with VirtualBench(speed="step") as bench, Dialogue(bench.address("luminance")) as meter:
        meter.write("LUM:APER 7")
        meter.ask("READ?")
        assert bench.hello()["now_s"] == pytest.approx(7.0)


def test_clock_runs_at_its_speed_and_never_back() -> None:
    host = [100.0]
    clock = Clock(50.0, lambda: host[0])
    host[0] += 0.1
    assert clock.now() == pytest.approx(5.0)
    clock.jump_to(99.0)  # a clock with a speed does not jump
    assert clock.now() == pytest.approx(5.0)
    stepping = Clock("step", lambda: host[0])
    host[0] += 10.0
    assert stepping.now() == 0.0
    stepping.jump_to(3.0)
    stepping.jump_to(1.0)
    assert stepping.now() == 3.0


@pytest.mark.parametrize("speed", [0, -1, float("nan"), float("inf"), "fast"])
def test_impossible_speeds_are_refused(speed: float | str) -> None:
    with pytest.raises(ValueError, match=r"speed|could not convert"):
        Clock(speed)
