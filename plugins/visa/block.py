"""Arbitrary block data of IEEE 488.2, read strictly: `#` + one digit n + n digits = byte count + the bytes.

VISA libraries are lenient here: stale text before the `#` gave an empty array without an error, and the newline after an
indefinite block was kept as data. Nothing of that sort is let through.
"""

from __future__ import annotations

from typing import Final

from greystep.schema.errors import ReplyError

HEADER_START: Final = 2
"""Bytes that tell how long the rest of the header is."""
_DIGITS: Final = b"0123456789"


def count_digits(start: bytes) -> int:
    """Number of count digits announced by the first two bytes; 0: an indefinite-length block. Raises ReplyError."""
    if len(start) != HEADER_START or start[:1] != b"#":
        raise ReplyError("the reply is not a block: it does not start with '#'", received=shown(start))
    if start[1] not in _DIGITS:
        raise ReplyError("the block header has no digit after '#'", received=shown(start))
    return start[1] - _DIGITS[0]


def byte_count(digits: bytes) -> int:
    """Byte count of the block from its count digits. Raises ReplyError."""
    if not digits or any(c not in _DIGITS for c in digits):
        raise ReplyError("the block header's byte count is not a number", received=shown(digits))
    return int(digits)


def parse_block(message: bytes | bytearray | memoryview, terminator: bytes = b"\n") -> memoryview:
    """Payload of a complete message that holds one block, with or without the terminator behind it.

    An indefinite block (`#0`) must end with the terminator, which is not data. Raises ReplyError when the message is
    anything else, too short, or has more behind the block.
    """
    view = memoryview(message).cast("B")
    digits = count_digits(bytes(view[:HEADER_START]))
    if digits == 0:
        end = len(view) - len(terminator)
        if end < HEADER_START or bytes(view[end:]) != terminator:
            raise ReplyError("the indefinite block does not end with the terminator", received=shown(bytes(view[-16:])))
        return view[HEADER_START:end]
    start = HEADER_START + digits
    if len(view) < start:
        raise ReplyError("the block header is cut off", received=shown(bytes(view)))
    count = byte_count(bytes(view[HEADER_START:start]))
    rest = bytes(view[start + count : start + count + len(terminator) + 1])
    if len(view) < start + count:
        raise ReplyError(f"the block announces {count} bytes but {len(view) - start} came", received=shown(bytes(view[:16])))
    if rest not in (b"", terminator):
        raise ReplyError(f"there is more behind the block of {count} bytes", received=shown(rest))
    return view[start : start + count]


def shown(data: bytes, limit: int = 64) -> str:
    """Bytes for a message: text as it is, the rest escaped, shortened."""
    text = data[:limit].decode("latin-1").encode("unicode_escape").decode("ascii")
    return text + ("..." if len(data) > limit else "")
