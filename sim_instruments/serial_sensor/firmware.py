"""What runs in the microcontroller: commands in, bytes out. Knows nothing of the line."""

from __future__ import annotations

import binascii
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Volts = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Voltage of an input as a function of time in s."""
PACKET_SAMPLES = 256
EDGE_V = 1.5
"""Level of the sync input."""


@dataclass(frozen=True)
class Hardware:
    """The board."""

    identity: str = "Greystep Virtual Bench,Light Sensor VS1,VB-S-0001,1.0"
    low_hz: float = 10.0
    high_hz: float = 50_000.0
    gains: tuple[int, ...] = (1, 2, 4, 8)
    bits: int = 12
    vref_v: float = 3.3
    samples: int = 60_000


class RefusalError(Exception):
    """An answer that begins with `error`."""


class Firmware:
    """State of the sensor. `inputs` are channel 1 (light) and, where there is one, channel 2 (sync)."""

    def __init__(
        self, inputs: tuple[Volts, ...], hardware: Hardware | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.hardware = hardware or Hardware()
        self._inputs = inputs
        self._clock = clock
        self._rate_hz = 10_000.0
        self._gain = 1
        self._armed: tuple[int, int, str, int] | None = None
        self._armed_at_s = 0.0
        self._trigger_s: float | None = None
        self._searched_s = 0.0
        self._record: NDArray[np.uint16] | None = None

    def answer(self, line: str) -> bytes:
        """Reply to one command line, with the packets behind it."""
        tag = ""
        if line.startswith("@"):
            tag, _, line = line.partition(" ")
            tag += " "
        words = line.split()
        try:
            said, packets = self._obey(words)
            return f"{tag}ok{' ' if said else ''}{said}\n".encode() + packets
        except (RefusalError, ValueError, IndexError) as exc:
            text = str(exc) if isinstance(exc, RefusalError) else "what?"
            return f"{tag}error {text}\n".encode()

    def _obey(self, words: list[str]) -> tuple[str, bytes]:
        match words:
            case ["id"]:
                return f"light-sensor 1 {self.hardware.identity}", b""
            case ["limits"]:
                return self._limits(), b""
            case ["rate", hz]:
                return self._put_rate(float(hz)), b""
            case ["gain", number]:
                return self._put_gain(int(number)), b""
            case ["arm", samples, before, how, *level]:
                self._arm(int(samples), int(before), how, int(level[0]) if level else 0)
                return "", b""
            case ["state"]:
                return self._state(), b""
            case ["stream"]:
                packets = self._packets()
                return str(len(packets)), b"".join(packets)
            case ["packet", number]:
                return "1", self._packets()[int(number)]
            case ["abort"]:
                self._armed = None
                return "", b""
        raise RefusalError("what?")

    def _limits(self) -> str:
        h = self.hardware
        gains = ",".join(map(str, h.gains))
        converter = f"bits={h.bits} vref={h.vref_v} samples={h.samples} channels={len(self._inputs)}"
        return f"rate={h.low_hz:g}:{h.high_hz:g} gain={gains} {converter}"

    def _idle_only(self) -> None:
        if self._state() in ("waiting", "filling"):
            raise RefusalError("busy")

    def _put_rate(self, hz: float) -> str:
        self._idle_only()
        if not self.hardware.low_hz <= hz <= self.hardware.high_hz:
            raise RefusalError("rate out of range")
        # A timer that divides 1 MHz.
        self._rate_hz = 1e6 / round(1e6 / hz)
        return f"{self._rate_hz:.9g}"

    def _put_gain(self, number: int) -> str:
        self._idle_only()
        if number not in self.hardware.gains:
            raise RefusalError("no such gain")
        self._gain = number
        return str(number)

    def _arm(self, samples: int, before: int, how: str, level: int) -> None:
        self._idle_only()
        if how not in ("now", "light+", "light-", "sync+", "sync-") or (how.startswith("sync") and len(self._inputs) < 2):
            raise RefusalError("no such trigger")
        if not 1 <= samples <= self.hardware.samples or not 0 <= before <= samples:
            raise RefusalError("record too long")
        self._armed = (samples, before, how, level)
        self._armed_at_s = self._searched_s = self._clock() + before / self._rate_hz
        self._trigger_s = None
        self._record = None

    def _state(self) -> str:
        self._run()
        if self._armed is None:
            return "idle"
        if self._record is not None:
            return "done"
        return "waiting" if self._trigger_s is None else "filling"

    def _run(self) -> None:
        """Let the converter do what it did since the last look."""
        if self._armed is None or self._record is not None:
            return
        samples, before, how, level = self._armed
        now_s = self._clock()
        if self._trigger_s is None:
            self._trigger_s = self._armed_at_s if how == "now" else self._find_edge(how, level, now_s)
        if self._trigger_s is not None and now_s >= self._trigger_s + (samples - before) / self._rate_hz:
            t = self._trigger_s + (np.arange(samples) - before) / self._rate_hz
            self._record = np.stack([self._convert(volts(t)) for volts in self._inputs], axis=1).ravel()

    def _find_edge(self, how: str, level: int, now_s: float) -> float | None:
        t = np.arange(self._searched_s, now_s, 1 / self._rate_hz)
        self._searched_s = max(self._searched_s, now_s - 1 / self._rate_hz)
        if t.size < 2:
            return None
        above = self._convert(self._inputs[0](t)) > level if how.startswith("light") else self._inputs[1](t) > EDGE_V
        edges = np.flatnonzero((above[1:] & ~above[:-1]) if how.endswith("+") else (above[:-1] & ~above[1:]))
        return float(t[edges[0] + 1]) if edges.size else None

    def _convert(self, volts: NDArray[np.float64]) -> NDArray[np.uint16]:
        top = (1 << self.hardware.bits) - 1
        step = self.hardware.vref_v / self._gain / (top + 1)
        return np.clip(np.floor(volts / step), 0, top).astype(np.uint16)

    def _packets(self) -> list[bytes]:
        self._run()
        if self._record is None:
            raise RefusalError("no record")
        cut = [self._record[at : at + PACKET_SAMPLES] for at in range(0, self._record.size, PACKET_SAMPLES)]
        return [packet(number, samples) for number, samples in enumerate(cut)]


def packet(number: int, samples: NDArray[np.uint16]) -> bytes:
    """Mark, number, count, samples, CRC-16/CCITT-FALSE over what is between mark and checksum."""
    body = struct.pack("<HH", number, samples.size) + samples.astype("<u2").tobytes()
    return b"\xa5\x5a" + body + struct.pack("<H", binascii.crc_hqx(body, 0xFFFF))
