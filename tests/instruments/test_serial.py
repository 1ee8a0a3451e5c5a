"""Serial lines over a pseudo-terminal: the light sensor's protocol, and SCPI."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from greystep.plugins.instruments.offered import offered_drivers
from greystep.plugins.serial_sensor.driver import SerialSensor, open_sensor
from greystep.plugins.serial_sensor.limits import parse_identity, parse_limits
from greystep.plugins.serial_sensor.protocol import PacketReader, crc16, pack
from greystep.plugins.serial_sensor.settings import SerialSensorSettings
from greystep.schema.errors import ConnectionLostError, InstrumentError, InstrumentTimeoutError, RefusedError, ReplyError
from greystep.schema.roles import ChannelSetup, DigitiserSetup
from greystep.sim_instruments.serial_sensor.firmware import Firmware, packet
from greystep.sim_instruments.serial_sensor.line import SerialDevice
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

PERIOD_S = 0.1


def light(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """A display that toggles: exponential, 4 ms, 0.1 V to 1.1 V."""
    phase = np.mod(t, PERIOD_S)
    rising = 1 - np.exp(-phase / 4e-3)
    falling = np.exp(-(phase - PERIOD_S / 2) / 4e-3)
    return np.where(phase < PERIOD_S / 2, 0.1 + rising, 0.1 + falling)


def sync(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """A pulse of 1 ms at each change to white."""
    return np.where(np.mod(t, PERIOD_S) < 1e-3, 3.0, 0.0)


SETUP = DigitiserSetup(1e-4, 600, 100, 1, {1: ChannelSetup(1.5, 0.75), 2: ChannelSetup(1.5, 0.75)}, trigger="sync")


@pytest.fixture
def line() -> Iterator[SerialDevice]:
    with SerialDevice(Firmware((light, sync)).answer) as device:
        yield device


@pytest.fixture
def sensor(line: SerialDevice) -> Iterator[SerialSensor]:
    settings = SerialSensorSettings(resource=line.resource, timeout_s=0.3, open_timeout_s=1.0)
    driver = open_sensor(settings, lambda *_: None)
    yield driver
    driver.close()


def capture(sensor: SerialSensor) -> Any:
    sensor.arm()
    assert sensor.wait(3.0) == 1
    return sensor.fetch()


def test_a_microcontroller_on_a_serial_line_is_a_digitiser(sensor: SerialSensor) -> None:
    assert sensor.identify().startswith("Greystep Virtual Bench,Light Sensor")
    confirmed = sensor.configure(SETUP)
    assert confirmed.channels[1].range_v == pytest.approx(3.3 / 2)  # the highest gain that takes 1.5 V
    record = capture(sensor)
    volts = record.channels[1].codes * record.channels[1].scale + record.channels[1].offset
    assert volts.shape == (1, 600)
    t = (np.arange(600) - 100) * confirmed.sample_interval_s
    # The converter truncates, and the sensor notices the edge up to one sample late.
    expected = light(np.where(t >= 0, t, PERIOD_S + t))
    assert np.max(np.abs(volts[0] - expected)[t < 0]) < 0.01
    assert np.max(np.abs(volts[0] - expected)[t >= 0.005]) < 0.02
    assert record.channels[2].codes[0, 102] > record.channels[2].codes[0, 90]


def test_light_and_immediate_triggers(sensor: SerialSensor) -> None:
    sensor.configure(DigitiserSetup(1e-4, 300, 50, 1, {1: ChannelSetup(1.5, 0.75)}, "light", 0.6, slope="negative"))
    codes = capture(sensor).channels[1].codes[0].astype(int)
    level = round(0.6 / (3.3 / 2 / 4096))
    assert codes[48] >= level - 1 > codes[52]
    sensor.configure(DigitiserSetup(1e-4, 300, 0, 1, {1: ChannelSetup(1.5, 0.75)}, "immediate"))
    assert capture(sensor).complete == 1


def test_a_lost_and_a_damaged_packet_are_asked_for_again(sensor: SerialSensor, line: SerialDevice) -> None:
    damaged: list[str] = []

    def bad_cable(command: str, reply: bytes) -> bytes:
        if "stream" not in command:
            return reply
        damaged.append(command)
        head, _, rest = reply.partition(b"\n")
        packets = rest.split(b"\xa5\x5a")[1:]
        packets[1] = packets[1][:100] + bytes([packets[1][100] ^ 4]) + packets[1][101:]
        del packets[3]
        return head + b"\n" + b"".join(b"\xa5\x5a" + one for one in packets)

    sensor.configure(SETUP)
    line.damage = bad_cable
    record = capture(sensor)
    assert damaged
    again = [command.split(" ", 1)[1] for command in line.commands if "packet" in command]
    assert again == ["packet 1", "packet 3"]
    line.damage = lambda command, reply: reply
    np.testing.assert_array_equal(sensor.fetch().channels[1].codes, record.channels[1].codes)


def test_packets_that_stay_lost_are_an_error_and_never_a_gap(sensor: SerialSensor, line: SerialDevice) -> None:
    sensor.configure(SETUP)
    sensor.arm()
    sensor.wait(3.0)
    line.damage = lambda command, reply: reply[:-300] if re.search("stream|packet 4", command) else reply
    with pytest.raises(ReplyError, match=r"packets \[4\] of 5 are lost"):
        sensor.fetch()
    line.damage = lambda command, reply: reply
    assert sensor.fetch().complete == 1


def test_late_reply_is_known_by_its_tag(sensor: SerialSensor, line: SerialDevice) -> None:
    def late(command: str, reply: bytes) -> bytes:
        if "gain" in command:
            time.sleep(0.4)
        return reply

    line.damage = late
    with pytest.raises(InstrumentTimeoutError):
        sensor.configure(SETUP)
    line.damage = lambda command, reply: reply
    assert sensor.configure(SETUP).samples == 600


@pytest.mark.parametrize("reply", [b"", b"\xff\xfe\x00garbage\n", b"@1 ok 7\n", b"ok\n", b"\n", b"@99999999 ok\n"])
def test_nonsense_is_an_error_in_time(sensor: SerialSensor, line: SerialDevice, reply: bytes) -> None:
    line.damage = lambda command, good: reply
    started = time.monotonic()
    with pytest.raises(InstrumentError):
        sensor.configure(SETUP)
    assert time.monotonic() - started < 2.0
    line.damage = lambda command, good: good
    sensor.recover()
    assert sensor.configure(SETUP).samples == 600


def test_what_it_cannot_do_is_refused_before_anything_is_sent(sensor: SerialSensor, line: SerialDevice) -> None:
    sent = len(line.commands)
    one = {1: ChannelSetup(1.5, 0.75)}
    for bad in (
        DigitiserSetup(1e-4, 600, 0, 2, one),
        DigitiserSetup(1e-7, 600, 0, 1, one),
        DigitiserSetup(1e-4, 600_000, 0, 1, one),
        DigitiserSetup(1e-4, 600, 0, 1, {3: ChannelSetup(1.0)}),
        DigitiserSetup(1e-4, 600, 0, 1, {1: ChannelSetup(10.0, 5.0)}),
        DigitiserSetup(1e-4, 600, 0, 1, one, slope="either"),
    ):
        with pytest.raises(RefusedError):
            sensor.configure(bad)
    assert len(line.commands) == sent


def test_another_device_and_another_version_are_told() -> None:
    with pytest.raises(ReplyError, match="no light sensor"):
        parse_identity("fan-controller 1 X,Y,Z,1")
    with pytest.raises(ReplyError, match="protocol 2"):
        parse_identity("light-sensor 2 X,Y,Z,1")
    with pytest.raises(ReplyError):
        parse_limits("rate=1:2 gain=0 bits=12 vref=3.3 samples=1")


def test_no_port_there_is_told_clearly() -> None:
    with pytest.raises(ConnectionLostError, match="No such file"):
        open_sensor(SerialSensorSettings(resource="ASRL/dev/no-such-port::INSTR"), lambda *_: None)


# CRC-16/CCITT-FALSE check value of the CRC catalogues [memory, reproduced].
def test_checksum_has_the_published_check_value() -> None:
    assert crc16(b"123456789") == 0x29B1


def test_driver_and_simulator_agree_on_the_packet_byte_for_byte() -> None:
    samples = np.arange(300, dtype=np.uint16)
    assert pack(7, samples) == packet(7, samples)


@given(st.lists(st.lists(st.integers(0, 65535), min_size=1, max_size=20), max_size=8), st.data())
def test_packets_come_out_of_any_splitting_and_noise_as_they_went_in(numbers: list[list[int]], data: st.DataObject) -> None:
    sent = [pack(k, np.array(values, np.uint16)) for k, values in enumerate(numbers)]
    stream = b"".join(data.draw(st.binary(max_size=6)) + one for one in sent)
    reader, found = PacketReader(), []
    while stream:
        cut = data.draw(st.integers(1, 40))
        found += reader.feed(stream[:cut])
        stream = stream[cut:]
    for one in found:
        assert one.samples.tolist() == numbers[one.number]


@given(st.binary(max_size=400), st.integers(0, 7), st.integers(0, 10_000))
def test_a_flipped_bit_never_becomes_a_sample(noise: bytes, bit: int, place: int) -> None:
    samples = np.frombuffer((noise + b"\0\0")[: 2 * (len(noise) // 2 + 1)], "<u2")
    whole = bytearray(pack(3, samples))
    whole[place % len(whole)] ^= 1 << bit
    for one in PacketReader().feed(bytes(whole)):
        raise AssertionError(f"a damaged packet was believed: {one}")


def test_scpi_over_a_serial_line_with_guard_and_late_replies() -> None:
    state = {"ese": "0", "slow": 0}

    def instrument(line: str) -> bytes:
        replies = []
        for unit in line.split(";"):
            if unit.startswith("*ESE "):
                state["ese"] = unit[5:]
            answers = {
                "*ESE?": state["ese"],
                "*IDN?": "Example,Meter,1,1",
                "SYST:ERR?": '0,"No error"',
                "*OPC?": "1",
                "MEAS:TEMP?": "21.5",
            }
            if unit in answers:
                replies.append(answers[unit])
        return (";".join(str(r) for r in replies) + "\n").encode() if replies else b""

    def late_once(command: str, reply: bytes) -> bytes:
        if "TEMP" in command and state["slow"] == 0:
            state["slow"] = 1
            time.sleep(0.5)
        return reply

    spec = next(spec for spec in offered_drivers() if spec.name == "scpi-temperature")
    with SerialDevice(instrument) as device:
        device.damage = late_once
        meter = spec.open(spec.settings(resource=device.resource, timeout_s=0.3, open_timeout_s=1.0), lambda *_: None)
        with pytest.raises(InstrumentTimeoutError):
            meter.read(0.01)
        assert meter.read(0.01).value == 21.5
        assert state["slow"] == 1
        meter.close()
