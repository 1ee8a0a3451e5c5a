"""Block data is read strictly; examples of IEEE 488.2 block data, with the VISA library as the oracle."""

from __future__ import annotations

import numpy as np
import pytest
import pyvisa.util
from greystep.plugins.visa.block import count_digits, parse_block
from greystep.schema.errors import ReplyError
from hypothesis import given
from hypothesis import strategies as st

THREE = bytes([0, 1, 0, 2, 0, 3])


def int16(data: memoryview) -> list[int]:
    return np.frombuffer(data, ">i2").tolist()


# Reference checks 7.1 [verified]: definite-length examples; leading zeros are legal.
@pytest.mark.parametrize("header", [b"#16", b"#206", b"#3006"])
@pytest.mark.parametrize("end", [b"", b"\n"])
def test_definite_block_gives_its_bytes_with_or_without_terminator(header: bytes, end: bytes) -> None:
    assert int16(parse_block(header + THREE + end)) == [1, 2, 3]


def test_same_bytes_as_the_oracle_makes() -> None:
    made = pyvisa.util.to_ieee_block([1, 2, 3], "h", True)
    assert int16(parse_block(made)) == [1, 2, 3]
    assert pyvisa.util.parse_ieee_block_header(b"#206") == (4, 6)
    assert count_digits(b"#2") == 2


# Reference checks 7.1 [verified]: the library keeps the newline after an indefinite block as data; it is none.
def test_indefinite_block_ends_before_its_terminator() -> None:
    assert int16(parse_block(b"#0\x00\x01\x00\x02\n")) == [1, 2]
    assert bytes(parse_block(b"#0\n\n")) == b"\n"


# Reference checks 7.1 [verified]: all of these are errors.
@pytest.mark.parametrize(
    "message",
    [
        b"",
        b"#",
        b"abc",
        b"#206" + THREE[:4],
        b"#x1",
        b"#2",
        b"#2-1",
        b"#2 6",
        b"#16" + THREE + b"x",
        b"#16" + THREE + b"\n\n",
        b"#0ab",
    ],
)
def test_anything_else_is_an_error(message: bytes) -> None:
    with pytest.raises(ReplyError):
        parse_block(message)


def test_stale_text_before_the_block_is_never_skipped() -> None:
    with pytest.raises(ReplyError, match="does not start"):
        parse_block(b'0,"No error"\n#16' + THREE)


@given(st.binary(max_size=3000), st.integers(0, 3))
def test_every_payload_comes_back_unchanged(payload: bytes, zeros: int) -> None:
    count = "0" * zeros + str(len(payload))
    message = f"#{len(count)}{count}".encode() + payload + b"\n"
    assert bytes(parse_block(message)) == payload


@given(st.binary(max_size=200))
def test_random_bytes_are_a_block_or_an_error_and_nothing_else(message: bytes) -> None:
    try:
        payload = parse_block(message)
    except ReplyError:
        return
    assert message.startswith(b"#")
    assert bytes(payload) in message


@given(st.binary(min_size=1, max_size=100), st.binary(min_size=1, max_size=40))
def test_a_damaged_header_never_gives_a_shorter_block_silently(payload: bytes, junk: bytes) -> None:
    message = f"#3{len(payload):03d}".encode() + payload
    damaged = junk + message
    try:
        result = bytes(parse_block(damaged))
    except ReplyError:
        return
    assert damaged.startswith(b"#")
    assert len(result) + 3 <= len(damaged)
