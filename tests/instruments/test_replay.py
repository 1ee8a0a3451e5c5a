"""What was seen on an instrument can be played back as an instrument, faults included."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvisa
from greystep.plugins.instruments.offered import offered_drivers
from greystep.plugins.visa.replay import Recording
from greystep.plugins.visa.replay_server import ReplayServer
from greystep.schema.errors import ConnectionLostError, InputError, InstrumentError, InstrumentTimeoutError, ReplyError
from greystep.schema.roles import ChannelSetup, DigitiserSetup
from greystep.sim_instruments.serial_sensor.firmware import Firmware
from greystep.sim_instruments.serial_sensor.line import SerialDevice
from greystep.sim_instruments.testing import VirtualBench
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from .test_serial import light, sync

Open = Callable[..., Any]
SPECS = {spec.name: spec for spec in offered_drivers()}
SETUP = DigitiserSetup(1e-5, 2000, 100, 2, {1: ChannelSetup(10.0), 2: ChannelSetup(10.0)})


def replay(role: str, file: Path) -> Any:
    spec = SPECS[f"replay-{role}"]
    return spec.open(spec.settings(file=file), lambda *_: None)


def record_run(opened: Open, bench: VirtualBench, file: Path, transport: str) -> Any:
    digitiser = opened("digitiser", record=str(file), resource=getattr(bench, transport)["digitiser"])
    pattern = opened("pattern")
    digitiser.configure(SETUP)
    digitiser.arm()
    pattern.play([255, 0], 0.2)
    assert digitiser.wait(5.0) == 2
    record = digitiser.fetch()
    digitiser.abort()
    digitiser.close()
    return record


@pytest.mark.parametrize("transport", ["resources", "hislip"])
def test_a_recorded_run_is_played_back_sample_by_sample(
    opened: Open, bench: VirtualBench, tmp_path: Path, transport: str
) -> None:
    file = tmp_path / "run.jsonl"
    record = record_run(opened, bench, file, transport)
    again = replay("digitiser", file)
    assert again.identify().startswith("Greystep Virtual Bench,Digitiser")
    assert again.configure(SETUP) == SETUP
    again.arm()
    assert again.wait(5.0) == 2
    played = again.fetch()
    for number, channel in record.channels.items():
        np.testing.assert_array_equal(played.channels[number].codes, channel.codes)
        assert played.channels[number].scale == channel.scale
    np.testing.assert_array_equal(played.trigger_s, record.trigger_s)
    again.abort()
    again.close()


def test_a_driver_that_asks_for_something_else_is_told(opened: Open, bench: VirtualBench, tmp_path: Path) -> None:
    file = tmp_path / "run.jsonl"
    record_run(opened, bench, file, "resources")
    again = replay("digitiser", file)
    with pytest.raises(ConnectionLostError, match=r"the recording has no 'SENS:SWE:POIN 999'"):
        again.configure(DigitiserSetup(1e-5, 999, 100, 2, SETUP.channels))
    again.close()


@pytest.mark.parametrize(
    ("kind", "options", "error"),
    [
        ("silence", {}, InstrumentTimeoutError),
        ("garbage", {"seed": 3}, ReplyError),
        ("half", {}, InstrumentTimeoutError),
        ("disconnect", {}, ConnectionLostError),
        ("swapped", {}, ReplyError),
        ("wrong_length", {"delta": -2}, ReplyError),
    ],
)
def test_a_fault_that_was_recorded_happens_again(
    opened: Open, bench: VirtualBench, tmp_path: Path, kind: str, options: dict[str, Any], error: type[InstrumentError]
) -> None:
    file = tmp_path / "fault.jsonl"
    digitiser = opened("digitiser", record=str(file), timeout_s=0.3)
    pattern = opened("pattern")

    def dialogue(driver: Any, play: Callable[[], None]) -> list[Any]:
        driver.configure(SETUP)
        driver.arm()
        play()
        driver.wait(5.0)
        with pytest.raises(error) as caught:
            driver.fetch()
        codes = driver.fetch().channels[1].codes
        driver.close()
        return [str(caught.value).split("(")[0].split(";")[0], codes.sum()]

    number = bench.fault("digitiser", kind, match="TRAC? 1", **options)
    live = dialogue(digitiser, lambda: pattern.play([255, 0], 0.2))
    assert bench.hits(number) == 1
    bench.clear_faults()
    assert dialogue(replay("digitiser", file), lambda: None) == live


def test_meters_are_recorded_with_their_specification(opened: Open, tmp_path: Path) -> None:
    file = tmp_path / "power.jsonl"
    power = opened("power", record=str(file), u_relative=0.1)
    readings = [power.read(0.02) for _ in range(3)]
    power.close()
    again = replay("power", file)
    assert [again.read(0.02) for _ in range(3)] == readings
    again.close()


def test_any_visa_client_meets_the_recorded_instrument(opened: Open, tmp_path: Path) -> None:
    file = tmp_path / "power.jsonl"
    power = opened("power", record=str(file))
    reading = power.read(0.02)
    power.close()
    with ReplayServer(file) as server:
        again = opened("power", resource=server.resource)
        assert again.read(0.02) == reading
        again.close()
        assert server.unexpected == []
    with ReplayServer(file) as server:
        client = pyvisa.ResourceManager("@py").open_resource(server.resource, read_termination="\n", write_termination="\n")
        client.write("*ESE 9;*ESE?")
        assert client.read() == "9"
        client.write("NOT:RECORDED")
        client.timeout = 200
        with pytest.raises(pyvisa.errors.VisaIOError):
            client.read()
        client.close()
        assert server.unexpected == ["NOT:RECORDED"]


def test_the_serial_sensor_is_recorded_with_its_lost_packets(tmp_path: Path) -> None:
    file = tmp_path / "sensor.jsonl"
    setup = DigitiserSetup(1e-4, 600, 100, 1, {1: ChannelSetup(1.5, 0.75)}, "sync")

    def use(sensor: Any) -> Any:
        sensor.configure(setup)
        sensor.arm()
        assert sensor.wait(3.0) == 1
        codes = sensor.fetch().channels[1].codes
        sensor.close()
        return codes

    spec = SPECS["serial-sensor"]
    with SerialDevice(Firmware((light, sync)).answer) as line:
        line.damage = lambda command, reply: reply.replace(b"\xa5\x5a\x01", b"\xa5\x00\x01") if "stream" in command else reply
        codes = use(spec.open(spec.settings(resource=line.resource, record=file, timeout_s=0.3), lambda *_: None))
        assert any("packet 1" in command for command in line.commands)
    np.testing.assert_array_equal(use(replay("digitiser", file)), codes)


def test_a_recording_never_overwrites_another(opened: Open, tmp_path: Path) -> None:
    file = tmp_path / "power.jsonl"
    for _ in range(3):
        opened("power", record=str(file)).close()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["power-2.jsonl", "power-3.jsonl", "power.jsonl"]


def test_a_place_that_cannot_be_written_is_told(opened: Open, tmp_path: Path) -> None:
    with pytest.raises(InstrumentError, match="recording can't be written"):
        opened("power", record=str(tmp_path / "no" / "such" / "folder.jsonl"))


def test_a_file_that_is_no_recording_or_of_another_role_is_refused(opened: Open, tmp_path: Path) -> None:
    file = tmp_path / "power.jsonl"
    opened("power", record=str(file)).close()
    with pytest.raises(InputError, match="role 'power', not 'luminance'"):
        replay("luminance", file)
    with pytest.raises(InputError, match="can't be read"):
        replay("power", tmp_path / "none.jsonl")
    lines = file.read_text().splitlines()
    bad = tmp_path / "bad.jsonl"
    for number, text in ((1, "{}"), (3, "no json"), (3, '{"t":0,"do":"read","data":"%"}'), (1, json.dumps({"recording": 99}))):
        bad.write_text("\n".join([*lines[: number - 1], text, *lines[number:]]))
        with pytest.raises(InputError) as caught:
            replay("power", bad)
        assert caught.value.problems[0].line == number


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=200))
def test_any_text_is_a_recording_or_an_input_error(tmp_path: Path, text: str) -> None:
    file = tmp_path / "fuzz.jsonl"
    file.write_text('{"recording":1,"role":"power"}\n' + text, encoding="utf-8", errors="replace")
    try:
        Recording.read(file)
    except InputError:
        return
