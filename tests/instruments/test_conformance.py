"""Conformance checks: the virtual bench passes, and each promise that is broken is told with what was sent and received."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from greystep.plugins.instruments.offered import offered_drivers
from greystep.plugins.instruments.opening import open_scpi
from greystep.plugins.instruments.settings import ScpiSettings
from greystep.plugins.serial_sensor.settings import SerialSensorSettings
from greystep.plugins.visa import finding
from greystep.sim_instruments.serial_sensor.firmware import Firmware
from greystep.sim_instruments.serial_sensor.line import SerialDevice
from greystep.sim_instruments.testing import VirtualBench

from .simulators.digitisers import SixteenLittle
from .simulators.scripted import ScriptedInstrument, split_guard
from .simulators.waveforms import Memory
from .test_serial import light, sync

Open = Callable[..., Any]
SPECS = {spec.name: spec for spec in offered_drivers()}


def failed(results: Any) -> list[str]:
    return [f"{r.name}: {r.detail}" for r in results if r.outcome == "fail"]


@pytest.mark.parametrize("role", ["digitiser", "pattern", "luminance", "power", "temperature"])
@pytest.mark.parametrize("transport", ["resources", "hislip"])
def test_the_virtual_bench_keeps_every_promise(opened: Open, bench: VirtualBench, role: str, transport: str) -> None:
    check = SPECS[f"scpi-{role}"].check
    assert check is not None
    results = check(opened(role, resource=getattr(bench, transport)[role]))
    assert failed(results) == []
    passed = {r.name for r in results if r.outcome == "pass"}
    assert "An unknown header is told once, as -113, and sets bit 5 of the event register" in passed
    assert len(passed) >= 12


def test_what_was_sent_and_received_is_shown(opened: Open) -> None:
    results = SPECS["scpi-power"].check(opened("power"))  # type: ignore[misc]
    told = next(r for r in results if "-113" in r.name)
    assert "NOSUCH:HEADER" in told.sent
    assert '-113,"Undefined header' in told.received


def test_the_serial_sensor_and_a_dialect_are_checked_too() -> None:
    with SerialDevice(Firmware((light, sync)).answer) as line:
        spec = SPECS["serial-sensor"]
        driver = spec.open(SerialSensorSettings(resource=line.resource), lambda *_: None)
        results = spec.check(driver)  # type: ignore[misc]
        driver.close()
    assert failed(results) == []
    assert any(r.outcome == "not supported" and "SCPI" in r.detail for r in results)
    with ScriptedInstrument(SixteenLittle(Memory())) as device:
        paths = (Path(__file__).with_name("dialects"),)
        driver = open_scpi(
            "digitiser",
            ScpiSettings(resource=device.resource, dialect="sixteen-little", dialect_paths=paths, timeout_s=0.5),
            lambda *_: None,
        )
        results = SPECS["scpi-digitiser"].check(driver)  # type: ignore[misc]
        driver.close()
    # This one is no model of SCPI: it does not know *RST and has no event register.
    assert any("*ESR?" in line for line in failed(results))


class Sloppy:
    """A meter that breaks one promise; everything else is as it should be."""

    def __init__(self, broken: str) -> None:
        self.broken = broken
        self.errors: list[str] = []
        self.event = 0

    def __call__(self, instrument: ScriptedInstrument, peer: Any, text: str) -> None:
        guard, rest = split_guard(text)
        replies = [guard.rstrip(";")] if guard else []
        for unit in filter(None, rest.split(";")):
            reply = self._one(unit.strip().lstrip(":").upper())
            if reply is not None:
                replies.append(reply)
        if replies:
            peer.sendall(";".join(replies).encode() + b"\n")

    def _one(self, unit: str) -> str | None:
        broken = self.broken
        if unit == "*IDN?":
            return "Maker,Model,1" if broken == "identity" else "Maker,Model,1,1"
        if unit == "*OPC?":
            return "0" if broken == "ready" else "1"
        if unit == "*CLS":
            self.errors.clear()
            self.event = 0
        elif unit == "*ESR?":
            event = self.event
            self.event = event if broken == "sticky" else 0
            return str(event)
        elif unit in ("SYST:ERR?", "SYSTEM:ERROR?", "SYSTEM:ERR:NEXT?", "SYSTEM:ERROR:NEXT?", "ERR?"):
            if broken == "case" and unit == "SYSTEM:ERROR:NEXT?":
                return None
            return self.errors.pop(0) if self.errors else '0,"No error"'
        elif unit == "MEAS:TEMP?":
            return "21.5"
        elif unit not in ("*RST", "*WAI") and not unit.startswith("*ESE"):
            entry = '-100,"Command error"' if broken == "number" else '-113,"Undefined header"'
            self.errors += [entry, entry] if broken == "twice" else [entry]
            if len(self.errors) > 20:
                self.errors[20:] = [] if broken == "overflow" else ['-350,"Queue overflow"']
            self.event |= 0 if broken == "event" else 32
        return None


@pytest.mark.parametrize(
    ("broken", "told"),
    [
        ("", None),
        ("identity", "3 fields"),
        ("ready", "answers '0'"),
        ("sticky", "when read again"),
        ("case", "system:error:next? is not answered"),
        ("number", "-100"),
        ("twice", "-113"),
        ("overflow", "none is -350"),
        ("event", "*ESR? = 0"),
    ],
)
def test_each_broken_promise_is_told(broken: str, told: str | None) -> None:
    spec = SPECS["scpi-temperature"]
    with ScriptedInstrument(Sloppy(broken)) as instrument:
        driver = spec.open(spec.settings(resource=instrument.resource, timeout_s=0.5), lambda *_: None)
        results = spec.check(driver)  # type: ignore[misc]
        driver.close()
    failures = failed(results)
    if told is None:
        assert failures == []
    else:
        assert any(told in line for line in failures), failures


def test_dialects_are_listed_with_their_problems(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("dialect = 1\n")
    listed = {info.name: info for info in SPECS["scpi-power"].dialects([tmp_path])}  # type: ignore[misc]
    assert set(listed["scpi-1999"].roles) == {"digitiser", "pattern", "luminance", "power", "temperature"}
    assert listed["broken"].roles == ()
    assert listed["broken"].problems


def test_what_is_missing_to_find_instruments_is_told_in_plain_words(monkeypatch: pytest.MonkeyPatch) -> None:
    found = SPECS["scpi-power"].find()  # type: ignore[misc]
    assert any("TCPIP::ADDRESS::PORT::SOCKET" in entry.todo for entry in found)
    real = finding.importlib.util.find_spec
    monkeypatch.setattr(finding.importlib.util, "find_spec", lambda name: None if name in ("usb", "serial") else real(name))
    told = " ".join(f"{entry.missing} {entry.todo}" for entry in finding._missing())
    assert "pip install pyusb" in told
    assert "pip install pyserial" in told


def test_a_device_without_permission_is_told_with_the_remedy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    interface = tmp_path / "1-2:1.0"
    interface.mkdir()
    (interface / "bInterfaceClass").write_text("fe\n")
    (interface / "bInterfaceSubClass").write_text("03\n")
    device = tmp_path / "1-2"
    device.mkdir()
    (device / "busnum").write_text("1\n")
    (device / "devnum").write_text("7\n")
    assert finding._usbtmc_devices(tmp_path) == [Path("/dev/bus/usb/001/007")]
    assert "udev" in finding._forbidden(Path("/dev/bus/usb/001/007")).todo
    monkeypatch.setattr(os, "access", lambda *_: False)
    told = finding._described("ASRL/dev/null::INSTR")
    assert "no permission" in told.missing
    assert "usermod -aG" in told.todo
