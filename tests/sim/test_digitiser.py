"""The digitiser: triggers, records, formats, clipping."""

from __future__ import annotations

import numpy as np
import pytest
from greystep.sim_instruments.testing import VirtualBench
from pyvisa.util import from_ascii_block, from_ieee_block

from .dialogue import Dialogue


def take(digitiser: Dialogue, pattern: Dialogue, levels: str, dwell_s: float, setup: str) -> None:
    """One acquisition triggered by the sync line, complete when this returns."""
    # Asked back, so that it waits before the first edge is sent over the other connection.
    assert digitiser.ask(f"TRIG:SOUR EXT;:{setup};:INIT;:STAT:OPER:COND?") == "32"
    pattern.write(f"SOUR:LIST:LEV {levels};DWEL {dwell_s};:INIT")
    assert pattern.ask("*OPC?") == "1"
    assert digitiser.ask("*OPC?") == "1"


def preamble(digitiser: Dialogue, channel: int) -> list[float]:
    return [float(field) for field in digitiser.ask(f"TRAC:PRE? {channel}").split(",")]


def volts(digitiser: Dialogue, channel: int, what: str = "") -> np.ndarray:
    """Samples of a channel in V by the preamble, shape (segments, points)."""
    points, _, _, _, increment, origin, reference = preamble(digitiser, channel)
    codes = np.frombuffer(digitiser.block(f"TRAC? {channel}{what}"), ">i2").astype(float)
    return ((codes - reference) * increment + origin).reshape(-1, int(points))


SETUP = "SWE:TINT 4E-5;POIN 2000;OREF:POIN 500;:SWE:COUN 4;:VOLT1:RANG:PTP 6;OFFS 2.5"


def test_records_show_the_light_and_the_edge_at_the_trigger(
    bench: VirtualBench, digitiser: Dialogue, pattern: Dialogue
) -> None:
    take(digitiser, pattern, "0,255,0,255", 0.1, SETUP)
    assert preamble(digitiser, 1)[:4] == [2000, 4, 4e-5, -0.02]
    light, sync = volts(digitiser, 1), volts(digitiser, 2)
    # 400 cd/m2 at 10 mV per cd/m2 and 2.1 mV dark.
    assert light[1, -100:].mean() == pytest.approx(4.0021, abs=2e-4)
    assert light[1, :500].mean() == pytest.approx(0.0038 + 0.0021, abs=1e-4)
    # One pulse of 5 V and 1 ms, beginning with the sample at the trigger.
    assert np.all(sync[:, 500:525].min(axis=1) > 4.9)
    assert np.all(np.abs(sync[1:, :500]) < 0.1)  # before the first there may be the edge of the reset
    assert np.all(np.abs(sync[:, 525:]) < 0.1)
    stamps = [float(stamp) for stamp in digitiser.ask("TRAC:TIM?").split(",")]
    # 0.1 s is no whole number of frames at 144 Hz: edges move to the next frame.
    assert np.allclose(np.diff(stamps), 0.1, atol=1 / 144)
    assert np.allclose(np.diff(stamps) * 144, np.rint(np.diff(stamps) * 144), atol=1e-6)
    figures = bench.truth()["segments"]
    assert [segment["to_level"] for segment in figures] == [0, 255, 0, 255]
    assert [segment["from_level"] for segment in figures] == [0, 0, 255, 0]


def test_record_is_the_noise_free_trace_plus_white_noise(bench: VirtualBench, digitiser: Dialogue, pattern: Dialogue) -> None:
    take(digitiser, pattern, "0,255", 0.1, SETUP.replace("COUN 4", "COUN 2"))
    _, _, raw = bench.trace(1, kind="volts")
    residual = volts(digitiser, 1)[1] - np.frombuffer(raw, "<f8")
    expected = np.hypot(0.15e-3, 6 / 65536 / np.sqrt(12))  # sensor noise and one step of the converter
    assert residual.std() == pytest.approx(expected, rel=0.08)
    assert abs(residual.mean()) < 5 * expected / np.sqrt(2000)
    correlation = np.correlate(residual, residual, "full")[len(residual) :][:20] / (residual @ residual)
    assert np.abs(correlation).max() < 5 / np.sqrt(2000)


@pytest.mark.parametrize(("word", "order"), [("NORM", ">"), ("SWAP", "<")])
def test_every_format_gives_the_same_volts(digitiser: Dialogue, pattern: Dialogue, word: str, order: str) -> None:  # 7.3 item 6
    take(digitiser, pattern, "0,255", 0.1, "SWE:TINT 1E-4;POIN 400;COUN 2;:VOLT1:RANG:PTP 6;OFFS 2.5")
    digitiser.write(f"FORM:BORD {word}")
    assert digitiser.ask("FORM:BORD?") == word
    found = {}
    for form, code in (("INT,16", "i2"), ("INT,8", "i1"), ("REAL,32", "f4")):
        digitiser.write(f"FORM {form}")
        assert digitiser.ask("FORM?") == form
        _, _, _, _, increment, origin, reference = preamble(digitiser, 1)
        values = np.frombuffer(digitiser.block("TRAC? 1"), order + code).astype(float)
        found[form] = (values - reference) * increment + origin
        assert len(found[form]) == 800
    digitiser.write("FORM ASC")
    found["ASC"] = np.array(from_ascii_block(digitiser.ask("TRAC? 1")))
    assert np.abs(found["REAL,32"] - found["INT,16"]).max() < 1e-6
    assert np.abs(found["ASC"] - found["INT,16"]).max() < 1e-6
    assert np.abs(found["INT,8"] - found["INT,16"]).max() <= 6 / 256 * 0.51
    digitiser.write("FORM REAL,64")
    assert digitiser.errors() == [-224]


def test_block_is_read_by_an_outside_parser(digitiser: Dialogue, pattern: Dialogue) -> None:  # 7.1
    take(digitiser, pattern, "0,255", 0.05, "SWE:TINT 1E-5;POIN 3000;COUN 2")
    digitiser.write("TRAC? 1")
    raw = digitiser.read_exactly(2 + 5 + 12000 + 1)
    assert raw[:7] == b"#512000"
    assert raw[-1:] == b"\n"
    codes = from_ieee_block(raw, "h", is_big_endian=True)
    assert len(codes) == 6000
    assert list(np.frombuffer(digitiser.block("TRAC? 1"), ">i2")) == codes
    assert b"\n" in raw[7:-1]  # a newline inside the block: it must be read by its length


def test_some_segments_of_all(digitiser: Dialogue, pattern: Dialogue) -> None:
    take(digitiser, pattern, "0,255,0,255", 0.1, SETUP)
    whole = volts(digitiser, 1)
    np.testing.assert_array_equal(volts(digitiser, 1, ",2,2"), whole[1:3])
    np.testing.assert_array_equal(volts(digitiser, 1, ",4"), whole[3:])
    digitiser.write("TRAC? 1,4,2")
    digitiser.write("TRAC? 3")
    assert digitiser.errors() == [-222, -222]


def test_clipped_segments_are_told_and_lie_at_the_end_of_the_range(digitiser: Dialogue, pattern: Dialogue) -> None:
    take(digitiser, pattern, "0,255,0,128", 0.1, SETUP.replace("OFFS 2.5", "OFFS 0.5"))  # -2.5 to 3.5 V, light goes to 4 V
    assert digitiser.ask("TRAC:CLIP? 1") == "0,1,1,0"
    assert digitiser.ask("TRAC:CLIP? 2") == "0,0,0,0"
    light = volts(digitiser, 1)
    assert light.max() == pytest.approx(3.5 - 6 / 65536)
    assert np.mean(light[1] == light.max()) > 0.4


def test_triggers_while_a_record_is_filled_are_missed(digitiser: Dialogue, pattern: Dialogue) -> None:
    # The record runs 150 ms after the trigger, levels come every 100 ms: every second one is missed.
    take(digitiser, pattern, "0,255,0,255,0,255", 0.1, "SWE:TINT 1E-4;POIN 1500;COUN 3")
    stamps = [float(stamp) for stamp in digitiser.ask("TRAC:TIM?").split(",")]
    assert np.allclose(np.diff(stamps), 0.2, atol=1 / 144)


def test_immediate_records_follow_each_other_without_a_gap(digitiser: Dialogue) -> None:
    digitiser.write("TRIG:SOUR IMM;:SWE:TINT 1E-4;POIN 100;COUN 5;:INIT")
    assert digitiser.ask("*OPC?") == "1"
    stamps = [float(stamp) for stamp in digitiser.ask("TRAC:TIM?").split(",")]
    assert stamps == pytest.approx([0.0, 0.01, 0.02, 0.03, 0.04], abs=1e-9)


def test_bus_trigger(digitiser: Dialogue) -> None:
    digitiser.write("TRIG:SOUR BUS;:SWE:TINT 1E-5;POIN 100;COUN 2;:INIT")
    assert digitiser.ask("TRAC:COUN?") == "0"
    digitiser.write("*TRG")
    assert digitiser.ask("TRAC:COUN?") == "1"
    assert digitiser.ask("STAT:OPER:COND?") == "32"
    digitiser.write("*TRG")
    assert digitiser.ask("TRAC:COUN?") == "2"
    assert digitiser.ask("STAT:OPER:COND?") == "0"
    digitiser.write("*TRG")
    assert digitiser.errors() == [-211]


@pytest.mark.parametrize("slope", ["POS", "NEG"])
def test_trigger_on_the_light_itself(digitiser: Dialogue, pattern: Dialogue, slope: str) -> None:
    digitiser.write(f"TRIG:SOUR INT1;LEV 2;SLOP {slope};:SWE:TINT 1E-5;POIN 400;OREF:POIN 200;:VOLT1:RANG:PTP 10")
    assert digitiser.ask("INIT;:STAT:OPER:COND?") == "32"
    pattern.write("SOUR:LIST:LEV 0,255,0;DWEL 0.2;:INIT")
    assert pattern.ask("*OPC?") == "1"
    assert digitiser.ask("*OPC?;:TRAC:COUN?") == "1;1"
    light = volts(digitiser, 1)[0]
    assert light[199] == pytest.approx(2.0, abs=0.05)
    assert (light[230] > 2.0) == (slope == "POS")


@pytest.mark.parametrize(("slope", "offset_s"), [("POS", 0.0), ("NEG", 1e-3)])
def test_trigger_on_the_sync_channel(
    bench: VirtualBench, digitiser: Dialogue, pattern: Dialogue, slope: str, offset_s: float
) -> None:
    bench.skip(0.1)  # the pulse of the reset is over
    digitiser.write(f"TRIG:SOUR INT2;LEV 2.5;SLOP {slope};:SWE:TINT 1E-5;POIN 400;OREF:POIN 200")
    assert digitiser.ask("INIT;:STAT:OPER:COND?") == "32"
    pattern.write("SOUR:LEV 200")
    assert pattern.ask("*OPC?") == "1"
    assert digitiser.ask("*OPC?") == "1"
    sync = volts(digitiser, 2)[0]
    high = np.flatnonzero(sync > 2.5)
    assert len(high) == 100
    assert high[0] == 200 - round(offset_s / 1e-5)


def test_settings_of_the_next_acquisition_do_not_touch_the_one_in_memory(digitiser: Dialogue, pattern: Dialogue) -> None:
    take(digitiser, pattern, "0,255", 0.1, "SWE:TINT 1E-4;POIN 400;COUN 2;:VOLT1:RANG:PTP 6;OFFS 2.5")
    before = digitiser.ask("TRAC:PRE? 1"), digitiser.block("TRAC? 1")
    digitiser.write("SWE:POIN 10;TINT 1E-3;COUN 1;:VOLT1:RANG:PTP 1;OFFS 0")
    assert (digitiser.ask("TRAC:PRE? 1"), digitiser.block("TRAC? 1")) == before
    assert digitiser.ask("TRAC:POIN?") == "400"


def test_record_outlives_a_change_of_condition(bench: VirtualBench, digitiser: Dialogue, pattern: Dialogue) -> None:
    take(digitiser, pattern, "0,255", 0.1, "SWE:TINT 1E-4;POIN 900;COUN 2;:VOLT1:RANG:PTP 6;OFFS 2.5")
    pattern.write("DISP:SETT refresh_rate_hz,60")
    pattern.write("DISP:SETT luminance,20")
    assert pattern.ask("*OPC?") == "1"
    assert volts(digitiser, 1)[1, -50:].mean() == pytest.approx(4.0021, abs=5e-4)
    assert bench.truth()["segments"][1]["condition"]["refresh_rate_hz"] == 144.0


def test_abort_keeps_what_is_complete(digitiser: Dialogue, pattern: Dialogue) -> None:
    assert digitiser.ask("TRIG:SOUR EXT;:SWE:TINT 1E-4;POIN 200;COUN 10;:INIT;:STAT:OPER:COND?") == "32"
    pattern.write("SOUR:LIST:LEV 0,255,0;DWEL 0.1;:INIT")
    assert pattern.ask("*OPC?") == "1"
    digitiser.write("ABOR")
    assert digitiser.ask("TRAC:COUN?;:STAT:OPER:COND?") == "3;0"
    assert len(digitiser.block("TRAC? 1")) == 3 * 200 * 2


def test_asking_for_data_that_is_not_there(digitiser: Dialogue) -> None:
    digitiser.write("TRAC? 1")
    digitiser.write("TRAC:PRE? 1")
    digitiser.write("TRIG:SOUR EXT;:INIT;:TRAC? 1;:ABOR")
    digitiser.write("SWE:POIN 4E6;COUN 9;:INIT")
    digitiser.write("SWE:POIN 10;COUN 1;OREF:POIN 10;:INIT")
    assert digitiser.errors() == [-230, -230, -230, -225, -221]


def test_sample_interval_is_rounded_to_the_clock_and_told(digitiser: Dialogue) -> None:
    digitiser.write("SWE:TINT 3.3333333E-6")
    assert float(digitiser.ask("SWE:TINT?")) == pytest.approx(3.33e-6, abs=1e-15)


def test_dimmed_backlight_ripples_at_its_frequency_around_the_mean(
    bench: VirtualBench, digitiser: Dialogue, pattern: Dialogue
) -> None:
    bench.mount("olmara-20")  # PWM at 240 Hz and 90 % depth below full luminance
    pattern.write("DISP:SETT luminance,50;:SOUR:LEV 255")
    assert pattern.ask("*OPC?") == "1"
    bench.skip(1.0)
    digitiser.write("TRIG:SOUR IMM;:SWE:TINT 1E-5;POIN 20000;:VOLT1:RANG:PTP 10;:INIT")  # 48 periods
    assert digitiser.ask("*OPC?") == "1"
    light = volts(digitiser, 1)[0] - 2.1e-3
    assert light.mean() == pytest.approx(1.3, rel=2e-3)
    assert np.percentile(light, [5, 95]) == pytest.approx([0.26, 2.6], rel=0.01)
    spectrum = np.abs(np.fft.rfft(light - light.mean()))
    assert np.fft.rfftfreq(len(light), 1e-5)[spectrum.argmax()] == pytest.approx(240.0)


def test_slow_sensor_smooths_what_it_sees() -> None:
    with (
        VirtualBench(panel="quandle-27", speed="step", options=("--bandwidth-khz", "0.1", "--sensor-poles", "2")) as bench,
        Dialogue(bench.address("digitiser")) as digitiser,
        Dialogue(bench.address("pattern")) as pattern,
    ):
        take(digitiser, pattern, "0,255", 0.1, "SWE:TINT 1E-5;POIN 4000;COUN 2;:VOLT1:RANG:PTP 6;OFFS 2.5")
        light = volts(digitiser, 1)[1]
    low, high = light[:100].mean(), light[-100:].mean()
    share = (light - low) / (high - low)
    ten, ninety = (np.interp(level, share[:2500], np.arange(2500) * 1e-5) for level in (0.1, 0.9))
    # Two poles of 100 Hz: 3.3579 time constants (reference-checks 1.3); the display itself takes 0.3 ms.
    assert ninety - ten == pytest.approx(3.35790856 / (2 * np.pi * 100.0), rel=0.01)
