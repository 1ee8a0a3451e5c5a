"""Every built-in driver and dialect keeps the published contract; a driver that breaks it is caught."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from greystep.plugins.instruments.opening import open_scpi
from greystep.plugins.instruments.settings import ScpiSettings
from greystep.plugins.serial_sensor.driver import open_sensor
from greystep.plugins.serial_sensor.settings import SerialSensorSettings
from greystep.plugins.testing.checking import run_checks
from greystep.plugins.testing.contracts import DigitiserContract, MeterContract, PatternContract
from greystep.plugins.testing.digitiser import DIGITISER
from greystep.plugins.testing.meter import METER
from greystep.schema.roles import ChannelRecord, MeterReading
from greystep.sim_instruments.serial_sensor.firmware import Firmware
from greystep.sim_instruments.serial_sensor.line import SerialDevice
from greystep.sim_instruments.testing import VirtualBench

from .simulators.digitisers import EightUnsigned, PlainText, SixteenLittle
from .simulators.scripted import ScriptedInstrument
from .simulators.waveforms import Memory
from .test_serial import light, sync

Open = Callable[..., Any]
SPEAKERS = {"sixteen-little": SixteenLittle, "eight-unsigned": EightUnsigned, "plain-text": PlainText}


class TestScpiDigitiser(DigitiserContract):
    @pytest.fixture
    def instrument(self, opened: Open) -> Any:
        return opened("digitiser")


class TestScpiDigitiserOverHislip(DigitiserContract):
    @pytest.fixture
    def instrument(self, opened: Open, bench: VirtualBench) -> Any:
        return opened("digitiser", resource=bench.hislip["digitiser"])


class TestDialects(DigitiserContract):
    @pytest.fixture(params=SPEAKERS)
    def instrument(self, request: pytest.FixtureRequest) -> Iterator[Any]:
        with ScriptedInstrument(SPEAKERS[request.param](Memory())) as device:
            paths = (Path(__file__).with_name("dialects"),)
            settings = ScpiSettings(resource=device.resource, dialect=request.param, dialect_paths=paths)
            driver = open_scpi("digitiser", settings, lambda *_: None)
            yield driver
            driver.close()


class TestSerialSensor(DigitiserContract):
    @pytest.fixture
    def instrument(self) -> Iterator[Any]:
        with SerialDevice(Firmware((light, sync)).answer) as line:
            driver = open_sensor(SerialSensorSettings(resource=line.resource), lambda *_: None)
            yield driver
            driver.close()


class TestScpiPattern(PatternContract):
    @pytest.fixture
    def instrument(self, opened: Open) -> Any:
        return opened("pattern")


class TestScpiMeters(MeterContract):
    @pytest.fixture(params=["luminance", "power", "temperature"])
    def instrument(self, request: pytest.FixtureRequest, opened: Open) -> Any:
        return opened(request.param, u_relative=0.01) if request.param == "power" else opened(request.param)


class Broken:
    """Another instrument with one method replaced."""

    def __init__(self, instrument: Any, **replaced: Callable[..., Any]) -> None:
        self._instrument = instrument
        self._replaced = replaced

    def __getattr__(self, name: str) -> Any:
        return self._replaced.get(name) or getattr(self._instrument, name)


def failures(checks: Any, instrument: Any) -> str:
    return " | ".join(
        f"{result.name}: {result.detail}" for result in run_checks(checks, instrument) if result.outcome == "fail"
    )


def test_a_digitiser_that_breaks_the_contract_is_caught(opened: Open) -> None:
    good = opened("digitiser")
    assert failures(DIGITISER, good) == ""

    def scaled_twice() -> Any:
        record = good.fetch()
        channels = {n: replace(c, scale=c.scale * 1000, offset=100.0) for n, c in record.channels.items()}
        return replace(record, channels=channels)

    def short() -> Any:
        record = good.fetch()
        channels = {n: ChannelRecord(c.codes[:, :-1], c.scale, c.offset) for n, c in record.channels.items()}
        return replace(record, channels=channels)

    assert "Scaling is applied once" in failures(DIGITISER, Broken(good, fetch=scaled_twice))
    assert "codes have the shape" in failures(DIGITISER, Broken(good, fetch=short))
    assert "not plain JSON" in failures(DIGITISER, Broken(good, settings=lambda: {"a": object()}))
    assert "segments were filled" in failures(DIGITISER, Broken(good, wait=lambda deadline_s: 0))
    assert "was accepted" in failures(DIGITISER, Broken(good, configure=lambda setup: setup))


def test_a_meter_that_breaks_the_contract_is_caught(opened: Open) -> None:
    good = opened("power")
    assert "a unit of 'kW'" in failures(METER, Broken(good, read=lambda s: MeterReading(1.0, "kW")))
    assert "a value of nan" in failures(METER, Broken(good, read=lambda s: MeterReading(float("nan"), "W")))
    identities = iter(["A", "B", "C", "D"])
    assert "'A' first and 'B' then" in failures(METER, Broken(good, identify=lambda: next(identities)))
