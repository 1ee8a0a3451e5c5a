"""Three digitisers that speak differently. Each answers its own words only and reports the rest as an error."""

from __future__ import annotations

import re
import socket
import struct
from collections.abc import Callable

import numpy as np

from .scripted import ScriptedInstrument
from .waveforms import Memory

Handler = Callable[..., str | bytes | None]


class TalkingDigitiser:
    """Message lines to handlers; a subclass gives the words."""

    end = b"\n"
    compound = True
    """Whether several queries in one message are answered with `;` in between."""

    def __init__(self, memory: Memory) -> None:
        self.memory = memory
        self.event_enable = "0"
        self.words: list[tuple[re.Pattern[str], Handler]] = [
            (re.compile(pattern + r"\Z", re.IGNORECASE), handler) for pattern, handler in self.vocabulary().items()
        ]

    def vocabulary(self) -> dict[str, Handler]:
        """Pattern -> handler."""
        raise NotImplementedError

    def unknown(self, text: str) -> str | None:
        """An unknown command."""
        self.memory.errors.append('-113,"Undefined header"')
        return None

    def __call__(self, instrument: ScriptedInstrument, peer: socket.socket, message: str) -> None:
        replies = []
        for unit in message.rstrip("\r").split(";") if self.compound else [message.rstrip("\r")]:
            reply = self._one(unit.strip())
            if reply is not None:
                replies.append(reply if isinstance(reply, bytes) else reply.encode())
        if replies:
            peer.sendall(b";".join(replies) + self.end)

    def _one(self, unit: str) -> str | bytes | None:
        for pattern, handler in self.words:
            if found := pattern.match(unit):
                return handler(*found.groups())
        return self.unknown(unit)

    def set_(self, name: str, convert: Callable[[str], object]) -> Handler:
        """Handler that sets a field of the memory."""

        def handler(value: str) -> None:
            setattr(self.memory, name, convert(value))

        return handler

    def next_error(self) -> str:
        """Oldest error."""
        return self.memory.errors.pop(0) if self.memory.errors else '0,"No error"'


def block(payload: bytes) -> bytes:
    """A definite-length block."""
    count = str(len(payload))
    return b"#" + str(len(count)).encode() + count.encode() + payload


class SixteenLittle(TalkingDigitiser):
    """16-bit little-endian blocks, all segments in one, scaling by single queries, volts per division."""

    def vocabulary(self) -> dict[str, Handler]:
        m = self.memory
        return {
            r"\*IDN\?": lambda: "Example,Sixteen,A1,2.0",
            r"\*CLS": m.errors.clear,
            r"\*OPC\?": lambda: "1",
            r"\*ESE (\d+)": lambda value: setattr(self, "event_enable", value),
            r"\*ESE\?": lambda: self.event_enable,
            r"SYST:ERR\?": self.next_error,
            r"CH(\d):SCAL (\S+)": lambda ch, v: m.range_v.__setitem__(int(ch), 8 * float(v)),
            r"CH(\d):SCAL\?": lambda ch: f"{m.range_v[int(ch)] / 8:.6E}",
            r"CH(\d):POS (\S+)": lambda ch, v: m.offset_v.__setitem__(int(ch), -float(v)),
            r"CH(\d):POS\?": lambda ch: f"{-m.offset_v[int(ch)]:.6E}",
            r"HOR:RATE (\S+)": lambda v: setattr(m, "interval_s", 1 / float(v)),
            r"HOR:RATE\?": lambda: f"{1 / m.interval_s:.6E}",
            r"HOR:LEN (\d+)": self.set_("points", int),
            r"HOR:LEN\?": lambda: str(m.points),
            r"HOR:PRE (\S+)": lambda v: setattr(m, "pretrigger", round(float(v) / 100 * m.points)),
            r"HOR:SEG (\d+)": self._segments,
            r"HOR:SEG\?": lambda: str(m.segments),
            r"TRIG:(AUX|CH\d),(\S+),(RISE|FALL)": lambda source, level, slope: setattr(
                m, "trigger", f"{source},{level},{slope}"
            ),
            r"TRIG:FREE": lambda: setattr(m, "trigger", "free"),
            r"GO": m.arm,
            r"HALT": m.stop,
            r"STATE\?": lambda: "IDLE" if m.armed_at is None else ("DONE" if m.complete == m.segments else "READY"),
            r"SEG:DONE\?": lambda: str(m.complete),
            r"WAV:STEP\? CH(\d)": lambda ch: f"{m.range_v[int(ch)] / 65536:.9E}",
            r"WAV:ZERO\? CH(\d)": lambda ch: f"{m.offset_v[int(ch)]:.9E}",
            r"WAV:ALL\? CH(\d)": self._data,
            r"WAV:TIME\?": lambda: ",".join(f"{0.01 * (k + 1):.4f}" for k in range(m.complete)),
        }

    def _segments(self, count: str) -> None:
        if int(count) > self.memory.max_segments:
            self.memory.errors.append('-222,"Data out of range;HOR:SEG"')
        else:
            self.memory.segments = int(count)

    def _data(self, channel: str) -> bytes:
        m = self.memory
        codes = np.stack([m.codes(int(channel), k + 1, 16, True) for k in range(m.complete)])
        return block(codes.astype("<i2").tobytes())


class EightUnsigned(TalkingDigitiser):
    """8-bit unsigned codes behind big-endian counts, one segment a query, a preamble, CR LF, *OPC? needed, no *ESE."""

    end = b"\r\n"
    compound = False

    def __init__(self, memory: Memory) -> None:
        super().__init__(memory)
        self.settled = True

    def __call__(self, instrument: ScriptedInstrument, peer: socket.socket, message: str) -> None:
        text = message.rstrip("\r")
        if not text.endswith("?") and "? " not in text:
            if not self.settled:
                return  # it loses commands that come before the last one was done
            self.settled = False
        elif text == "*OPC?":
            self.settled = True
        super().__call__(instrument, peer, message)

    def vocabulary(self) -> dict[str, Handler]:
        m = self.memory
        return {
            r"\*IDN\?": lambda: "Example,Eight,B2,1.1",
            r"\*CLS": m.errors.clear,
            r"\*OPC\?": lambda: "1",
            r"ERR\?": lambda: self.next_error().replace('0,"No error"', "+0"),
            r"INP(\d) ON,(\S+),(\S+)": self._input,
            r"INP(\d) OFF": lambda ch: None,
            r"TIME (\S+),(\d+),(\S+),(\d+)": self._time,
            r"TIME\?": lambda: f"TIME {m.interval_s:.6E},{m.points},{m.pretrigger * m.interval_s:.6E},{m.segments}",
            r"TRIG (EXT|IN\d) (POS|NEG)": lambda source, slope: setattr(m, "trigger", f"{source} {slope}"),
            r"TRIG FREE": lambda: setattr(m, "trigger", "free"),
            r"ARM": m.arm,
            r"STOP": m.stop,
            r"FLAGS\?": lambda: f"#H{4 if m.armed_at is not None else 0:X}",
            r"SEGS\?": lambda: str(m.complete),
            r"SEL (\d+)": lambda k: setattr(self, "selected", int(k)),
            r"PRE\? (\d)": lambda ch: (
                f"8;{m.points};{m.interval_s:.6E};{m.range_v[int(ch)] / 256:.6E};{m.offset_v[int(ch)]:.6E};128"
            ),
            r"DATA\? (\d)": self._data,
            r"CLIP\? (\d)": lambda ch: ";".join("1" if k == 1 else "0" for k in range(m.complete)),
        }

    def _input(self, channel: str, low: str, high: str) -> None:
        self.memory.range_v[int(channel)] = float(high) - float(low)
        self.memory.offset_v[int(channel)] = (float(high) + float(low)) / 2

    def _time(self, interval: str, points: str, before: str, segments: str) -> None:
        m = self.memory
        m.interval_s, m.points, m.segments = float(interval), int(points), int(segments)
        m.pretrigger = round(float(before) / m.interval_s)

    def _data(self, channel: str) -> bytes:
        codes = self.memory.codes(int(channel), self.selected, 8, False)
        return block(struct.pack(">IQ", 1, codes.size) + codes.astype("u1").tobytes())


class PlainText(TalkingDigitiser):
    """Volts as text, one record, channels A and B, replies with a header; no error queue, *OPC? or *ESE."""

    compound = False

    def unknown(self, text: str) -> str | None:
        return "?" if text.endswith("?") else None

    def vocabulary(self) -> dict[str, Handler]:
        m = self.memory
        return {
            r"ID\?": lambda: "PLAIN DIGITISER 7",
            r"RANGE ([AB]) (\S+)": lambda ch, v: m.range_v.__setitem__(1 + "AB".index(ch), 2 * float(v)),
            r"RANGE ([AB])\?": lambda ch: f"RANGE {ch} +-{m.range_v[1 + 'AB'.index(ch)] / 2:g} V",
            r"RATE (\S+)": lambda v: setattr(m, "interval_s", 1e-3 / float(v)),
            r"RATE\?": lambda: f"RATE {1e-3 / m.interval_s:g} kHz",
            r"LEN (\d+) PRE (\d+)": self._length,
            r"TRIG (\S+)": self.set_("trigger", str),
            r"ARM": m.arm,
            r"STATE\?": lambda: "STATE " + ("full" if m.complete else "waiting"),
            r"READ ([AB])\?": lambda ch: " ".join(f"{v:+.4e}" for v in m.volts(1 + "AB".index(ch), 1)),
        }

    def _length(self, points: str, before: str) -> None:
        self.memory.points, self.memory.pretrigger = int(points), int(before)
