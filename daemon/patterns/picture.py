"""Pictures of one grey, as PNG files that any viewer shows (ISO/IEC 15948), written without a library."""

from __future__ import annotations

import struct
import zlib


def grey_png(level: int, width: int, height: int) -> bytes:
    """A PNG of `width` x `height` pixels, all of (level, level, level); 8 bits a channel, no colour profile.

    RGB and not greyscale: some viewers convert greyscale pictures through a profile of their own.
    """
    row = b"\0" + bytes([level]) * (3 * width)
    body = zlib.compress(row * height, 9)
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + _chunk(b"IDAT", body) + _chunk(b"IEND", b"")


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
