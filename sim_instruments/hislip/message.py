"""HiSLIP messages: a 16-byte big-endian header and a payload."""

from __future__ import annotations

import asyncio
import struct
from dataclasses import dataclass
from enum import IntEnum

HEADER = struct.Struct("!2sBBIQ")
MOST_PAYLOAD_BYTES = 1 << 24
"""A client's message longer than this is refused (non-fatal error 4)."""


class Type(IntEnum):
    """Message types of IVI-6.1 table 4."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAX_MESSAGE_SIZE = 15
    ASYNC_MAX_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class Fatal(IntEnum):
    """Errors after which the connection is closed."""

    UNIDENTIFIED = 0
    POORLY_FORMED_HEADER = 1
    WITHOUT_BOTH_CHANNELS = 2
    INVALID_INITIALISATION = 3
    TOO_MANY_CLIENTS = 4


class NonFatal(IntEnum):
    """Errors after which the message is thrown away."""

    UNIDENTIFIED = 0
    UNRECOGNISED_TYPE = 1
    UNRECOGNISED_CONTROL_CODE = 2
    VENDOR_MESSAGE = 3
    TOO_LARGE = 4


class HeaderError(Exception):
    """The peer does not speak HiSLIP, or is out of step."""


@dataclass(frozen=True)
class Message:
    """One message as received."""

    type: int
    control: int
    parameter: int
    payload: bytes
    too_large: bool = False


def pack(kind: Type, control: int = 0, parameter: int = 0, length: int = 0) -> bytes:
    """A header."""
    return HEADER.pack(b"HS", kind, control, parameter, length)


async def receive(reader: asyncio.StreamReader) -> Message:
    """The next message; an oversized payload is read and thrown away. Raises HeaderError, IncompleteReadError at the end."""
    prologue, kind, control, parameter, length = HEADER.unpack(await reader.readexactly(HEADER.size))
    if prologue != b"HS":
        raise HeaderError("no HiSLIP prologue")
    if length <= MOST_PAYLOAD_BYTES:
        return Message(kind, control, parameter, await reader.readexactly(length))
    while length:
        piece = await reader.read(min(length, 1 << 16))
        if not piece:
            raise asyncio.IncompleteReadError(b"", length)
        length -= len(piece)
    return Message(kind, control, parameter, b"", too_large=True)
