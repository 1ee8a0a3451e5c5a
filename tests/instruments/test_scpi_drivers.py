"""The SCPI drivers on the virtual bench."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from greystep.schema.errors import ConnectionLostError, InputError, RefusedError
from greystep.schema.roles import ChannelSetup, DigitiserSetup
from greystep.sim_instruments.testing import VirtualBench

Open = Callable[..., Any]
SETUP = DigitiserSetup(
    sample_interval_s=1e-5,
    samples=4000,
    pretrigger=500,
    segments=4,
    channels={1: ChannelSetup(10.0), 2: ChannelSetup(10.0)},
    trigger="sync",
)


def test_one_fetch_gives_all_segments_of_both_channels(opened: Open, bench: VirtualBench) -> None:
    digitiser, pattern = opened("digitiser"), opened("pattern")
    pattern.level(0)
    bench.skip(0.1)
    confirmed = digitiser.configure(SETUP)
    assert confirmed == SETUP
    digitiser.arm()
    pattern.play([255, 0, 255, 0], 0.5)
    assert digitiser.wait(10.0) == 4
    assert pattern.wait(10.0)
    record = digitiser.fetch()
    assert record.complete == 4
    assert record.sample_interval_s == pytest.approx(1e-5)
    assert record.first_sample_s == pytest.approx(-500e-5)
    assert np.all(np.diff(record.trigger_s) == pytest.approx(0.5, abs=0.02))
    light, sync = record.channels[1], record.channels[2]
    assert light.codes.shape == sync.codes.shape == (4, 4000)
    volts = light.codes * light.scale + light.offset
    assert np.all(np.abs(volts) < 5.0)
    assert volts[0, -1] > volts[0, 0]  # to white
    assert volts[1, -1] < volts[1, 0]  # to black
    pulse = sync.codes * sync.scale + sync.offset
    # The sync pulse rises at the trigger: sample 500.
    assert np.argmax(pulse[0] > 2.5) == pytest.approx(500, abs=1)
    assert light.clipped is not None
    assert not light.clipped.any()


def test_scaling_agrees_with_the_exact_trace_of_the_bench(opened: Open, bench: VirtualBench) -> None:
    digitiser, pattern = opened("digitiser"), opened("pattern")
    pattern.level(0)
    bench.skip(0.1)
    digitiser.configure(SETUP)
    digitiser.arm()
    pattern.play([200], 0.5)
    digitiser.wait(0.5)
    record = digitiser.fetch()
    assert record.complete == 1
    first_s, interval_s, raw = bench.trace(0, kind="volts")
    exact = np.frombuffer(raw, "<f8")
    light = record.channels[1]
    measured = light.codes[0] * light.scale + light.offset
    assert first_s == pytest.approx(record.first_sample_s, abs=interval_s)
    assert np.mean(measured - exact) == pytest.approx(0.0, abs=2 * light.scale)
    digitiser.abort()


def test_a_setting_out_of_range_is_refused_in_the_instruments_own_words(opened: Open) -> None:
    digitiser = opened("digitiser")
    with pytest.raises(RefusedError, match=r"channel 1.*-222") as caught:
        digitiser.configure(
            DigitiserSetup(sample_interval_s=1e-5, samples=100, channels={1: ChannelSetup(1e6)}),
        )
    assert "SENS:VOLT1:RANG:PTP" in caught.value.sent
    assert caught.value.role == "digitiser"
    assert digitiser.configure(SETUP) == SETUP


def test_arming_before_configuring_is_refused(opened: Open) -> None:
    with pytest.raises(RefusedError, match="before it was configured"):
        opened("digitiser").arm()


def test_wait_ends_at_its_deadline_when_nothing_triggers(opened: Open) -> None:
    digitiser = opened("digitiser")
    digitiser.configure(SETUP)
    digitiser.arm()
    started = time.monotonic()
    assert digitiser.wait(0.3) == 0
    assert 0.25 < time.monotonic() - started < 1.0
    assert digitiser.fetch().channels[1].codes.shape == (0, 4000)
    digitiser.abort()
    digitiser.abort()


def test_pattern_names_the_setting_that_is_not_known_or_not_allowed(opened: Open) -> None:
    pattern = opened("pattern")
    known = pattern.allowed()
    assert "refresh_rate_hz" in known
    with pytest.raises(RefusedError, match="sharpness"):
        pattern.apply({"sharpness": 3})
    with pytest.raises(RefusedError, match="overdrive = warp"):
        pattern.apply({"overdrive": "warp"})
    for hostile in ("fast;*RST", "fast\n*RST", "f\u0000", "\u202efast", "x" * 10_000, ""):
        with pytest.raises(RefusedError, match="overdrive"):
            pattern.apply({"overdrive": hostile})
    pattern.apply({"overdrive": known["overdrive"][0]})
    assert pattern.settings()["applied"]["overdrive"] == known["overdrive"][0]


def test_levels_out_of_range_are_refused_before_anything_is_sent(opened: Open, dialogue: list[Any]) -> None:
    pattern = opened("pattern")
    sent = len(dialogue)
    for bad in (-1, 256, 1.5, True):
        with pytest.raises(RefusedError):
            pattern.level(bad)
    assert len(dialogue) == sent


def test_safe_stops_a_list_and_drives_level_0(opened: Open, bench: VirtualBench) -> None:
    pattern = opened("pattern")
    pattern.play([255, 128] * 10, 5.0)
    pattern.safe()
    bench.skip(1.0)
    assert bench.hello()["level"] == 0


def test_meters_read_with_unit_and_specified_uncertainty(opened: Open) -> None:
    pattern = opened("pattern")
    pattern.level(255)
    reading = opened("luminance", u_relative=0.02, u_absolute=0.1).read(0.1)
    assert reading.unit == "cd/m2"
    assert reading.value > 50
    assert reading.u == pytest.approx(np.hypot(0.02 * reading.value, 0.1))
    power = opened("power").read(0.1)
    assert power.unit == "W"
    assert power.value > 0
    assert power.u is None
    assert opened("luminance").read(0.0).value > 50  # the aperture stays as it is
    temperature = opened("temperature").read(0.0)
    assert temperature.unit == "degC"
    pattern.safe()


def test_the_dialogue_holds_commands_and_replies_but_no_bulk_data(opened: Open, dialogue: list[Any]) -> None:
    digitiser, pattern = opened("digitiser"), opened("pattern")
    digitiser.configure(SETUP)
    digitiser.arm()
    pattern.play([255, 0, 255, 0], 0.2)
    digitiser.wait(5.0)
    digitiser.fetch()
    assert ("digitiser", ">", "SENS:SWE:POIN 4000") in dialogue
    blocks = [
        text for role, direction, text in dialogue if direction == "<" and text.startswith("block of 32000 bytes, SHA-256 ")
    ]
    assert len(blocks) == 2
    assert max(len(text) for _, _, text in dialogue) < 5000


def test_a_closed_port_is_told_at_once_and_clearly(opened: Open) -> None:
    for resource in ("TCPIP::127.0.0.1::9::SOCKET", "TCPIP::127.0.0.1::hislip0,9::INSTR"):
        started = time.monotonic()
        with pytest.raises(ConnectionLostError, match="refused") as caught:
            opened("power", resource=resource)
        assert time.monotonic() - started < 1.0
        assert caught.value.where == resource
        assert caught.value.role == "power"


def test_an_unknown_dialect_lists_those_that_there_are(opened: Open) -> None:
    with pytest.raises(InputError, match="scpi-1999"):
        opened("power", dialect="esperanto")
