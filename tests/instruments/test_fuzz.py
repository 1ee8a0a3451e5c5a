"""Whatever an instrument sends: a value that can be right, or an error. Thousands of random replies per parser and driver."""

from __future__ import annotations

import contextlib
import math
import random
import time
from typing import Any

import numpy as np
import pytest
from greystep.plugins.instruments.ask import Ask, Condition, parse_number
from greystep.plugins.instruments.dialects import find_dialect
from greystep.plugins.instruments.opening import open_over
from greystep.plugins.instruments.settings import MeterSettings
from greystep.plugins.instruments.waveform import Samples, Waveform, decode_block, decode_text, read_preamble, scaling
from greystep.plugins.serial_sensor.limits import parse_identity, parse_limits
from greystep.plugins.visa.errors import parse_error
from greystep.plugins.visa.link import LinkClosed, LinkTimeout
from greystep.plugins.visa.wire import Terminators, Wire
from greystep.schema.errors import GreystepError, InstrumentError, RefusedError, ReplyError
from greystep.schema.roles import ChannelSetup, DigitiserSetup, MeterReading
from hypothesis import given, settings
from hypothesis import strategies as st

MANY = settings(max_examples=1500, deadline=None)
SOME = settings(max_examples=300, deadline=None)
LINES = st.text(st.characters(min_codepoint=0x20, max_codepoint=0xFF), max_size=60)
NUMBERLIKE = st.text("0123456789+-.eE#HQBx, ;:\"'naNIF", max_size=24)


class Feed:
    """A link that gives these bytes in pieces of random size, then nothing or the end."""

    def __init__(self, data: bytes, seed: int, *, ends: bool = False, closes: bool = False) -> None:
        self.ends = ends
        self._data = data
        self._closes = closes
        self._random = random.Random(seed)
        self.sent: list[bytes] = []

    def write(self, data: bytes, deadline: float) -> None:
        self.sent.append(data)

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        if not self._data:
            raise LinkClosed("gone") if self._closes else LinkTimeout("no answer in time")
        count = min(len(buffer), len(self._data), self._random.randint(1, 9))
        buffer[:count] = self._data[:count]
        self._data = self._data[count:]
        return count, self.ends and not self._data

    def unread(self) -> bool:
        return False

    def clear(self, deadline: float) -> bool:
        return False

    def kill(self) -> None:
        pass

    def close(self) -> None:
        pass


@MANY
@given(st.one_of(LINES, NUMBERLIKE))
def test_number_parsers_give_a_finite_number_or_an_error(reply: str) -> None:
    for read in (parse_number, Ask(ask="Q?").number, Ask(ask="Q?", inverse=True, scale=2).number):
        try:
            value = read(reply)
        except ReplyError:
            continue
        assert math.isfinite(value)
    try:
        whole = Ask(ask="Q?").whole(reply)
    except ReplyError:
        return
    assert isinstance(whole, int)


@MANY
@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_every_number_comes_back(value: float) -> None:
    assert parse_number(repr(value)) == value
    assert parse_number(f"  {value:+.17E} ") == value


@MANY
@given(st.one_of(LINES, NUMBERLIKE), st.integers(1, 4))
def test_lists_conditions_and_errors_are_read_or_refused(reply: str, item: int) -> None:
    for read in (
        Ask(ask="Q?", item=item).number,
        Ask(ask="Q?").numbers,
        Ask(ask="Q?", pattern=r"(\d+)V").number,
        Condition(ask="Q?", mask=4).holds,
        Condition(ask="Q?", equals=("yes",)).holds,
        parse_error,
        parse_identity,
        parse_limits,
    ):
        try:
            read(reply)
        except ReplyError:
            continue


@MANY
@given(st.integers(-32768, 32767), st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=80))
def test_every_error_entry_comes_back(number: int, text: str) -> None:
    quoted = text.replace('"', '""')
    entry = parse_error(f'{number},"{quoted}"')
    assert entry.number == number
    assert entry.text == text.strip()


@MANY
@given(st.binary(max_size=120), st.integers(0, 2**32), st.booleans(), st.booleans(), st.sampled_from([None, 0, 4, 16]))
def test_wire_reads_text_and_blocks_of_random_bytes_without_inventing(
    data: bytes, seed: int, ends: bool, closes: bool, expected: int | None
) -> None:
    for read in ("text", "block"):
        wire = Wire(Feed(data, seed, ends=ends, closes=closes), Terminators())
        try:
            if read == "text":
                text = wire.text(math.inf)
                assert text.encode("latin-1") in data
            else:
                block = wire.block(math.inf, expected, limit=1 << 20)
                assert expected is None or block.size == expected
                assert block.tobytes() in data
        except (ReplyError, LinkTimeout, LinkClosed):
            continue


@MANY
@given(st.binary(max_size=300), st.integers(0, 2**32), st.booleans())
def test_every_block_comes_over_the_wire_in_any_pieces(payload: bytes, seed: int, ends: bool) -> None:
    count = str(len(payload))
    message = f"#{len(count)}{count}".encode() + payload + b"\n"
    wire = Wire(Feed(message, seed, ends=ends), Terminators())
    assert wire.block(math.inf, len(payload)).tobytes() == payload


@MANY
@given(st.one_of(LINES, st.lists(NUMBERLIKE, max_size=8).map(",".join)))
def test_preambles_give_usable_scaling_or_an_error(reply: str) -> None:
    waveform = Waveform(
        preamble=Ask(ask="P?"),
        fields=("points", "x_increment_s", "y_increment_v", "y_origin_v", "y_reference"),
        data=Samples(ask="D?"),
    )
    try:
        values = read_preamble(reply, Ask(ask="P?"), waveform.fields)
        scale, offset = scaling(values, waveform)
    except ReplyError:
        return
    assert scale != 0
    assert math.isfinite(scale)
    assert math.isfinite(offset)


@SOME
@given(st.binary(max_size=64), st.integers(1, 4), st.integers(1, 8), st.sampled_from([8, 16, 32]))
def test_samples_have_the_expected_shape_or_are_refused(payload: bytes, segments: int, points: int, bits: Any) -> None:
    samples = Samples(ask="D?", bits=bits)
    try:
        codes = decode_block(np.frombuffer(payload, np.uint8), samples, segments, points)
    except ReplyError:
        assert len(payload) != segments * points * bits // 8
        return
    assert codes.shape == (segments, points)


@SOME
@given(st.one_of(LINES, st.lists(NUMBERLIKE, max_size=6).map(",".join)), st.integers(1, 6))
def test_samples_as_text_are_finite_or_refused(reply: str, points: int) -> None:
    try:
        values = decode_text(reply, Samples(ask="D?", form="text"), 1, points)
    except ReplyError:
        return
    assert values.shape == (1, points)
    assert np.isfinite(values).all()


class Babble:
    """A link to an instrument that keeps the guard but answers everything with what it is given; no time passes."""

    ends = False

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.good = True
        self.asked = 0
        self._out = b""
        self._token = "0"

    def write(self, data: bytes, deadline: float) -> None:
        guard, _, rest = data.decode("ascii").strip().partition(";*ESE?")
        if guard.startswith("*ESE "):
            self._token = guard.removeprefix("*ESE ")
            query = rest.removeprefix(";")
            if not query:
                self._out = self._token.encode() + b"\n"
            else:
                self._out = self._token.encode() + b";" + self._reply(query) + b"\n"
        elif guard.endswith("?"):
            self._out = self._reply(guard) + b"\n"

    def _reply(self, query: str) -> bytes:
        self.asked += 1
        good = {"*IDN?": b"A,B,C,D", "SYST:ERR?": b'0,"No error"'}.get(query)
        if query.endswith(("? MAX", "? MIN")):
            good = b"4000" if query.endswith("MAX") else b"1e-7"
        if self.good or (good is not None and self.random.random() < 0.7):
            return good or b"1"
        return self._junk()

    def _junk(self) -> bytes:
        kind = self.random.randrange(8)
        if kind == 0:
            return self.random.randbytes(self.random.randrange(40))
        if kind == 1:
            return b"#" + str(self.random.randrange(10)).encode() + self.random.randbytes(self.random.randrange(20))
        if kind == 2:
            return str(self.random.uniform(-1e3, 1e3)).encode()
        if kind == 3:
            return str(self.random.randrange(-3, 4000)).encode()
        if kind == 4:
            return b",".join(str(self.random.randrange(-2, 200)).encode() for _ in range(self.random.randrange(9)))
        if kind == 5:
            return self.random.choice([b"", b"NAN", b"9.91E37", b"-1e400", b"1;2", b"#H20", b"nan,nan", b"inf"])
        if kind == 6:
            size = self.random.choice([16, 16, 32, 8])
            return b"#2%02d" % size + self.random.randbytes(size)
        return str(self.random.choice([32, 1, 8, 4, 2, 100])).encode()

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        if not self._out:
            raise LinkTimeout("no answer in time")
        count = min(len(buffer), len(self._out))
        buffer[:count], self._out = self._out[:count], self._out[count:]
        return count, False

    def unread(self) -> bool:
        return bool(self._out)

    def clear(self, deadline: float) -> bool:
        return False

    def kill(self) -> None:
        pass

    def close(self) -> None:
        self._out = b""


def use(role: str, driver: Any) -> Any:
    """One typical use of a driver of this role."""
    if role == "digitiser":
        driver.configure(DigitiserSetup(1e-5, 8, 0, 1, {1: ChannelSetup(10.0)}))
        driver.arm()
        driver.wait(0.002)
        return driver.fetch()
    if role == "pattern":
        driver._allowed = None
        if driver.port.session.query("*IDN?"):
            with contextlib.suppress(RefusedError):
                driver.apply({"overdrive": "fast"})
        driver.play([0, 1], 0.01)
        return driver.wait(0.002)
    return driver.read(0.01)


@pytest.mark.parametrize("role", ["digitiser", "pattern", "luminance", "power", "temperature"])
def test_no_reply_makes_a_driver_hang_crash_or_lie(role: str) -> None:
    seed = random.randrange(2**32)
    print(f"seed {seed}")
    link = Babble(seed)
    dialect = find_dialect("scpi-1999", role)
    checked = MeterSettings(resource="TCPIP::192.0.2.1::5025::SOCKET", timeout_s=0.05, open_timeout_s=0.2)
    driver = open_over(lambda deadline: link, role, checked, dialect, lambda *_: None)
    link.good = False
    errors = 0
    while link.asked < 3000:
        started = time.monotonic()
        try:
            found = use(role, driver)
        except GreystepError as exc:
            errors += 1
            told = exc
            link.good = True
            if not isinstance(exc, RefusedError):
                assert driver.port.session.query("*IDN?") == "A,B,C,D"  # it comes back as soon as the instrument does
            link.good = False
            assert isinstance(told, InstrumentError)
            assert told.role == role
        else:
            if isinstance(found, MeterReading):
                assert math.isfinite(found.value)
            elif role == "digitiser":
                assert found.channels[1].codes.shape == (found.complete, driver._set.samples)
                assert math.isfinite(found.channels[1].scale)
        assert time.monotonic() - started < 3.0
    assert errors > 10
    driver.close()
