"""Meters and pattern sources that are no models of SCPI are a matter of a TOML file, too."""

from __future__ import annotations

import socket
import time
from pathlib import Path
from typing import Any

import pytest
from greystep.plugins.instruments.opening import open_scpi
from greystep.plugins.instruments.settings import MeterSettings, ScpiSettings
from greystep.plugins.testing.checking import run_checks
from greystep.plugins.testing.meter import METER
from greystep.plugins.testing.pattern import PATTERN
from greystep.schema.errors import RefusedError, ReplyError

from .simulators.scripted import ScriptedInstrument

LUMINANCE = r"""
dialect = 1
name = "old-photometer"
[session]
identity = "ID"
identity_pattern = "PHOTOMETER"
terminator = "\r\n"
reply_terminator = "\r\n"
startup = []
echo = ""
echo_end = ""
ready = ""
next_error = ""
[luminance]
unit = "cd/m2"
aperture = "T{aperture_s*1000:.0f}"
aperture_set = { ask = "T", pattern = "T=(\\d+)", scale = 0.001 }
read = { ask = "M", pattern = "OK \\d+,(.*) fL$", scale = 3.4262591 }
high = 1e6
"""
PATTERN_SOURCE = r"""
dialect = 1
name = "plain-pattern"
[session]
echo = ""
echo_end = ""
delay_s = 0.001
[pattern]
bits = 10
delay_s = { ask = "LAG?", scale = 1e-6 }
level = "SHOW {code:03X}"
list = ["SEQ {count} {dwell_s*1000:.0f}", "DATA {codes}"]
list_limit = 100
separator = " "
play = "GO"
played = { ask = "BUSY?", equals = ["no"] }
stop = "STOP"
names = { ask = "MODES?", separator = " " }
values = { ask = "MODE? {name}", separator = "/" }
set = "MODE {name}={value}"
"""


def photometer(_: ScriptedInstrument, peer: socket.socket, text: str) -> None:
    command = text.rstrip("\r")
    state = photometer.__dict__.setdefault("state", {"aperture": 100})
    if command == "ID":
        peer.sendall(b"PHOTOMETER 3\r\n")
    elif command == "T":
        peer.sendall(f"T={state['aperture']}\r\n".encode())
    elif command.startswith("T"):
        state["aperture"] = int(command[1:])
    elif command == "M":
        time.sleep(state["aperture"] / 1000)
        peer.sendall(b"OK 00,+29.186 fL\r\n")


class PlainPattern:
    def __init__(self) -> None:
        self.shown: list[int] = []
        self.modes: list[str] = []
        self.ends = 0.0
        self.count, self.dwell_ms = 0, 0
        self.errors: list[str] = []

    def __call__(self, _: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        word, _, rest = text.partition(" ")
        if word == "SHOW":
            self.shown.append(int(rest, 16))
        elif word == "SEQ":
            self.count, self.dwell_ms = map(int, rest.split())
        elif word == "DATA" and len(rest.split()) != self.count:
            self.errors.append('7,"wrong count"')
        elif word == "GO":
            self.ends = time.monotonic() + self.count * self.dwell_ms / 1000
        elif word == "STOP":
            self.ends = 0.0
        elif word == "MODE" and rest:
            self.modes.append(rest)
        replies = {
            "*IDN?": "Example,Pattern,1,1",
            "*OPC?": "1",
            "SYST:ERR?": self.errors.pop(0) if self.errors and text == "SYST:ERR?" else '0,"No error"',
            "LAG?": "250",
            "BUSY?": "yes" if time.monotonic() < self.ends else "no",
            "MODES?": "refresh_rate_hz overdrive",
            "MODE? refresh_rate_hz": "30:144",
            "MODE? overdrive": "off/normal/fast",
        }
        if text in replies:
            peer.sendall(replies[text].encode() + b"\n")


def written(tmp_path: Path, text: str) -> str:
    path = tmp_path / "dialect.toml"
    path.write_text(text)
    return str(path)


def test_a_photometer_in_foot_lamberts_reads_candela(tmp_path: Path) -> None:
    """1 fL = 3.4262591 cd/m2 [memory, reproduced: (1/pi) cd/ft2]."""
    with ScriptedInstrument(photometer) as device:
        settings = MeterSettings(resource=device.resource, dialect=written(tmp_path, LUMINANCE), timeout_s=0.5)
        meter: Any = open_scpi("luminance", settings, lambda *_: None)
        assert meter.read(0.05).value == pytest.approx(100.0, abs=0.01)
        assert meter.settings()["aperture_s"] == pytest.approx(0.05)
        assert [r.detail for r in run_checks(METER, meter) if r.outcome == "fail"] == []
        meter.close()


def test_an_impossible_reading_is_refused(tmp_path: Path) -> None:
    with ScriptedInstrument(photometer) as device:
        text = LUMINANCE.replace("high = 1e6", "high = 50.0")
        settings = MeterSettings(resource=device.resource, dialect=written(tmp_path, text), timeout_s=0.5)
        meter: Any = open_scpi("luminance", settings, lambda *_: None)
        with pytest.raises(ReplyError, match=r"99\.9\d+ cd/m2 can't be"):
            meter.read(0.05)
        meter.close()


def test_a_pattern_source_with_its_own_words(tmp_path: Path) -> None:
    source = PlainPattern()
    with ScriptedInstrument(source) as device:
        settings = ScpiSettings(resource=device.resource, dialect=written(tmp_path, PATTERN_SOURCE), timeout_s=0.5)
        pattern: Any = open_scpi("pattern", settings, lambda *_: None)
        assert pattern.bits() == 10
        assert pattern.delay_s() == pytest.approx(250e-6)
        assert pattern.allowed() == {"refresh_rate_hz": (30.0, 144.0), "overdrive": ("off", "normal", "fast")}
        pattern.apply({"refresh_rate_hz": 60.0, "overdrive": "Fast"})
        assert source.modes == ["refresh_rate_hz=60", "overdrive=fast"]
        with pytest.raises(RefusedError, match="refresh_rate_hz = 240 is not between 30 and 144"):
            pattern.apply({"refresh_rate_hz": 240})
        pattern.level(1023)
        pattern.play([0, 1023, 512], 0.05)
        assert pattern.wait(2.0)
        assert (source.count, source.dwell_ms) == (3, 50)
        with pytest.raises(RefusedError, match="101 levels"):
            pattern.play([0] * 101, 0.05)
        pattern.close()
        assert source.shown[0] == 1023
        assert source.shown[-1] == 0


def test_a_pattern_source_keeps_the_contract(tmp_path: Path) -> None:
    with ScriptedInstrument(PlainPattern()) as device:
        settings = ScpiSettings(resource=device.resource, dialect=written(tmp_path, PATTERN_SOURCE), timeout_s=0.5)
        pattern: Any = open_scpi("pattern", settings, lambda *_: None)
        results = run_checks(PATTERN, pattern)
        assert [f"{r.name}: {r.detail}" for r in results if r.outcome == "fail"] == []
        pattern.close()
