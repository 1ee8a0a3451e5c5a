"""Protocol 1 of the serial light sensor, simple enough for a microcontroller with a converter.

The line has 8 data bits, no parity, 1 stop bit. The host sends a command, one line of ASCII that ends with LF (CR is
ignored); the sensor sends one line back, except for samples. A command may begin with a tag, `@` and a number below
65536: the reply then begins with the same tag, so that a late reply is told from a fresh one. Numbers are decimal.

| command | reply | meaning |
|---|---|---|
| `id` | `ok light-sensor 1 MAKER,MODEL,SERIAL,FIRMWARE` | 1 is the protocol's version |
| `limits` | `ok rate=LOW:HIGH gain=1,2,4 bits=12 vref=3.3 samples=60000 channels=1` | what it can do: Hz, V, per record |
| `rate HZ` | `ok HZ` | sample rate of each channel; replies with the rate really set |
| `gain N` | `ok N` | full scale is vref / N |
| `arm SAMPLES PRETRIGGER now` | `ok` | record SAMPLES of each channel at once |
| `arm SAMPLES PRETRIGGER light+ CODE` | `ok` | when channel 1 rises through CODE (`light-`: falls) |
| `arm SAMPLES PRETRIGGER sync+` | `ok` | when the sync input rises (`sync-`: falls) |
| `state` | `ok idle`, `ok waiting`, `ok filling`, `ok done` | |
| `stream` | `ok PACKETS`, then so many packets | the record, channels interleaved |
| `packet NUMBER` | `ok 1`, then that packet | once more |
| `abort` | `ok` | back to idle; the record is kept when it was done |

Anything else is answered by `error TEXT`. Settings are refused with `error` while it is not idle or done.

A packet is, little endian: the bytes A5 5A, u16 number (from 0, without gaps), u16 count of samples (1 to 512), the samples as
u16, and u16 CRC-16/CCITT-FALSE (polynomial 1021, start FFFF, not reflected) over number, count and samples. Every packet
but the last has the same count.
"""

from __future__ import annotations

import binascii
import struct
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

VERSION: Final = "1"
MARK: Final = b"\xa5\x5a"
MOST_SAMPLES: Final = 512
_HEAD: Final = struct.Struct("<2sHH")
_CRC: Final = struct.Struct("<H")


@dataclass(frozen=True)
class Packet:
    """One packet whose checksum was right."""

    number: int
    samples: NDArray[np.uint16]


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE; of `123456789` it is 29B1."""
    return binascii.crc_hqx(data, 0xFFFF)


def pack(number: int, samples: NDArray[np.uint16]) -> bytes:
    """A packet as it travels."""
    body = struct.pack("<HH", number, len(samples)) + np.asarray(samples, "<u2").tobytes()
    return MARK + body + _CRC.pack(crc16(body))


class PacketReader:
    """Finds packets in a stream of bytes. What is damaged is passed over, and the next mark is looked for behind it."""

    def __init__(self) -> None:
        self._bytes = bytearray()
        self.damaged = 0
        """Marks behind which no good packet stood."""

    def feed(self, data: bytes) -> list[Packet]:
        """Packets that are complete with these bytes."""
        self._bytes += data
        found: list[Packet] = []
        while True:
            start = self._bytes.find(MARK)
            if start < 0:
                # The mark's first byte may be the last one here.
                del self._bytes[: len(self._bytes) - self._bytes.endswith(MARK[:1])]
                return found
            del self._bytes[:start]
            if len(self._bytes) < _HEAD.size:
                return found
            _, number, count = _HEAD.unpack_from(self._bytes)
            size = _HEAD.size + 2 * count + _CRC.size
            if not 1 <= count <= MOST_SAMPLES:
                self._pass_over()
            elif len(self._bytes) < size:
                return found
            else:
                body = bytes(self._bytes[len(MARK) : size - _CRC.size])
                if _CRC.unpack_from(self._bytes, size - _CRC.size)[0] == crc16(body):
                    found.append(Packet(number, np.frombuffer(body, "<u2", offset=4)))
                    del self._bytes[:size]
                else:
                    self._pass_over()

    def _pass_over(self) -> None:
        """Only the mark: a damaged count must not swallow the good packets behind it."""
        self.damaged += 1
        del self._bytes[: len(MARK)]
