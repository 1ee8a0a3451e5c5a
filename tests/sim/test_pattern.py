"""The pattern source: lists, frames, settings of the display, watchdog."""

from __future__ import annotations

import time

import numpy as np
import pytest
from greystep.sim_instruments.panel.catalogue import PANELS
from greystep.sim_instruments.testing import VirtualBench

from .dialogue import Dialogue


def edges(digitiser: Dialogue, pattern: Dialogue, levels: str, dwell_s: float, count: int) -> np.ndarray:
    """Instants of the sync edges of a list, s."""
    assert digitiser.ask(f"TRIG:SOUR EXT;:SWE:TINT 1E-5;POIN 10;COUN {count};:INIT;:STAT:OPER:COND?") == "32"
    pattern.write(f"SOUR:LIST:LEV {levels};DWEL {dwell_s};:INIT")
    assert pattern.ask("*OPC?") == "1"
    assert digitiser.ask("TRAC:COUN?") == str(count)
    return np.array([float(stamp) for stamp in digitiser.ask("TRAC:TIM?").split(",")])


def test_level_is_taken_and_told(pattern: Dialogue) -> None:
    pattern.write("SOUR:LEV 200")
    assert pattern.ask("SOUR:LEV?") == "200"
    pattern.write("SOUR:LEV 256")
    pattern.write("SOUR:LEV MAX")
    assert pattern.ask("SOUR:LEV?") == "255"
    assert pattern.errors() == [-222]
    assert pattern.ask("SOUR:DEPT?") == "8"
    assert float(pattern.ask("SOUR:DEL?")) == pytest.approx(180e-6)


def test_list_gives_one_edge_a_level_with_the_dwell_between(digitiser: Dialogue, pattern: Dialogue) -> None:
    stamps = edges(digitiser, pattern, "0,255,0,64,128", 0.25, 5)  # 36 frames of 144 Hz
    assert np.allclose(np.diff(stamps), 0.25, atol=1e-9)
    assert pattern.ask("SOUR:LEV?") == "128"
    assert pattern.ask("SOUR:LIST:COUN?;LEV?") == "5;0,255,0,64,128"


def test_dwell_under_a_frame_gives_each_level_a_frame_of_its_own(digitiser: Dialogue, pattern: Dialogue) -> None:
    stamps = edges(digitiser, pattern, "0,255,0,64,128", 0.001, 5)
    assert np.allclose(np.diff(stamps), 1 / 144, atol=1e-9)


def test_completion_is_told_when_the_last_dwell_is_over(bench: VirtualBench, pattern: Dialogue) -> None:
    before = bench.hello()["now_s"]
    pattern.write("SOUR:LIST:LEV 0,255,0;DWEL 2;:INIT")
    assert pattern.ask("*OPC?") == "1"
    assert 6.0 <= bench.hello()["now_s"] - before < 6.5
    assert pattern.ask("STAT:OPER:COND?") == "0"


def test_list_while_one_plays_and_no_list_at_all(pattern: Dialogue) -> None:
    pattern.write("INIT")
    pattern.write("SOUR:LIST:LEV 1,2;DWEL 5;:INIT;INIT")
    pattern.write("DISP:SETT overdrive,off")
    assert pattern.errors() == [-221, -213, -221]
    assert int(pattern.ask("STAT:OPER:COND?")) & 8
    pattern.write("ABOR")
    assert int(pattern.ask("STAT:OPER:COND?")) & 8 == 0
    pattern.write("SOUR:LIST:LEV " + ",".join(["1"] * 4097))
    assert pattern.errors() == [-223]


def test_level_zero_always_gets_through(bench: VirtualBench, pattern: Dialogue) -> None:
    pattern.write("SOUR:LIST:LEV 255,0,255,0;DWEL 100;:INIT")
    pattern.write("SOUR:LEV 0")
    assert pattern.ask("*OPC?") == "1"
    assert bench.hello()["level"] == 0
    assert int(pattern.ask("STAT:OPER:COND?")) & 8 == 0


@pytest.mark.parametrize("spec", PANELS, ids=lambda spec: spec.name)
def test_every_setting_can_be_listed_set_and_read_back(bench: VirtualBench, pattern: Dialogue, spec) -> None:
    bench.mount(spec.name)
    for name in pattern.ask("DISP:SETT:CAT?").split(","):
        allowed = pattern.ask(f"DISP:SETT:VAL? {name}")
        values = allowed.split(":") if ":" in allowed else allowed.split(",")
        for value in values:
            pattern.write(f"DISP:SETT {name},{value}")
            assert pattern.ask(f"DISP:SETT? {name}") == value
    assert pattern.errors() == []


def test_wrong_settings_are_refused(pattern: Dialogue) -> None:
    pattern.write("DISP:SETT colour,red")
    pattern.write("DISP:SETT refresh_rate_hz,61")
    pattern.write("DISP:SETT refresh_rate_hz,fast")
    pattern.write("DISP:SETT overdrive,extreme")
    pattern.write("DISP:SETT luminance,5")
    pattern.write("DISP:SETT overdrive")
    assert pattern.errors() == [-224, -222, -104, -224, -222, -109]
    assert pattern.ask("DISP:SETT? overdrive;SETT? refresh_rate_hz") == "normal;144"


def test_change_of_mode_takes_a_while_and_the_list_waits_for_it(digitiser: Dialogue, pattern: Dialogue) -> None:
    assert digitiser.ask("TRIG:SOUR EXT;:SWE:TINT 1E-5;POIN 10;COUN 2;:INIT;:STAT:OPER:COND?") == "32"
    pattern.write("SOUR:LIST:LEV 0,255;DWEL 0.1")
    pattern.write("DISP:SETT refresh_rate_hz,60;:INIT")
    assert pattern.ask("*OPC?") == "1"
    stamps = [float(stamp) for stamp in digitiser.ask("TRAC:TIM?").split(",")]
    assert stamps[0] > 0.199
    assert stamps[1] - stamps[0] == pytest.approx(0.1, abs=1e-9)  # six frames of 60 Hz


def test_unlocked_edges_leave_the_display_to_its_frames(bench: VirtualBench, digitiser: Dialogue, pattern: Dialogue) -> None:
    pattern.write("DISP:SETT refresh_rate_hz,60")
    assert pattern.ask("*OPC?") == "1"
    starts = {}
    for lock in (1, 0):
        pattern.write(f"SOUR:SYNC:LOCK {lock}")
        stamps = edges(digitiser, pattern, "0,255,0,255,0,255,0,255", 0.1017, 8)
        assert np.allclose(np.diff(stamps), 0.1017, atol=1e-9) == (lock == 0)
        starts[lock] = [segment["light_start_s"] for segment in bench.truth()["segments"]]
    assert np.ptp(starts[1]) < 1e-9
    assert 0.005 < np.ptp(starts[0]) < 1 / 60


def test_watchdog_drives_level_zero_when_the_host_is_silent(bench: VirtualBench, pattern: Dialogue) -> None:
    pattern.write("SOUR:WATC 0.15;:SOUR:LEV 255")
    fired = bench.hello()["watchdog_fired"]
    for _ in range(6):  # commands keep it quiet
        time.sleep(0.05)
        assert pattern.ask("SOUR:LEV?") == "255"
    deadline = time.monotonic() + 5.0
    while bench.hello()["level"] != 0:  # the side door is no command
        assert time.monotonic() < deadline
        time.sleep(0.02)
    assert bench.hello()["watchdog_fired"] == fired + 1
    assert pattern.ask("SOUR:LEV?;WATC?") == "0;0.15"


def test_meters_see_the_same_display(bench: VirtualBench, pattern: Dialogue) -> None:
    bench.mount("quandle-27")
    with Dialogue(bench.address("luminance")) as luminance, Dialogue(bench.address("power")) as power:
        readings = {}
        for level in (0, 128, 255):
            pattern.write(f"SOUR:LEV {level}")
            assert pattern.ask("*OPC?") == "1"
            bench.skip(1.0)
            luminance.write("LUM:APER 0.5")
            readings[level] = float(luminance.ask("READ?")), float(power.ask("MEAS:POW?"))
        dip = 1 - 0.5 * 0.02 * 0.2e-3 * 60
        assert readings[0][0] == pytest.approx(0.0, abs=0.01)
        assert readings[128][0] == pytest.approx(250 * (128 / 255) ** 2.2 * dip * 1.002, rel=0.003)
        assert readings[255][0] == pytest.approx(250 * dip * 1.002, rel=0.003)
        assert readings[0][1] == pytest.approx(14.0, abs=0.1)
        assert readings[255][1] == pytest.approx(14.0 + 0.16 * 250 * dip, abs=0.3)
        assert luminance.errors() == power.errors() == []


def test_display_warms_up_after_it_was_switched_on(bench: VirtualBench) -> None:
    bench.mount("nydorf-15", cold=True)
    with Dialogue(bench.address("temperature")) as thermometer:
        cold = float(thermometer.ask("MEAS:TEMP2?"))
        bench.skip(5000.0)
        warm = float(thermometer.ask("MEAS:TEMP2?"))
        assert cold == pytest.approx(23.0, abs=0.5)
        assert warm == pytest.approx(35.0, abs=1.0)
        assert float(thermometer.ask("MEAS:TEMP?")) == pytest.approx(23.0, abs=0.2)


def test_variable_refresh_sends_each_level_at_its_time(digitiser: Dialogue, pattern: Dialogue) -> None:
    pattern.write("DISP:SETT vrr,on")
    assert pattern.ask("*OPC?") == "1"
    stamps = edges(digitiser, pattern, "0,255,0,255", 0.1017, 4)
    assert np.allclose(np.diff(stamps), 0.1017, atol=1e-9)
