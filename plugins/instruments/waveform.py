"""Waveform layout of a dialect, and the way from block or text to codes and scaling. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Final, Literal

import numpy as np
from greystep.schema.errors import ReplyError
from greystep.schema.model import Model
from numpy.typing import NDArray
from pydantic import Field, model_validator

from .ask import Ask, Asked, parse_number
from .template import Commands, Words

Quantity = Literal["points", "segments", "x_increment_s", "x_origin_s", "y_increment_v", "y_origin_v", "y_reference", "ignored"]
PER_CHANNEL: Final = ("channel", "first", "count", "segment", "points", "samples")
_ORDER: Final = {"big": ">", "little": "<"}


class Counted(Model):
    """A number in front of the samples, inside the block."""

    name: Literal["points", "segments", "ignored"]
    """What it counts; it must agree with what was asked for."""
    bits: Literal[8, 16, 32, 64] = 32
    """Width."""
    byte_order: Literal["big", "little"] = "big"
    """Byte order of this count; the samples have their own."""


class Samples(Words):
    """How samples travel."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {"ask": PER_CHANNEL}

    ask: Annotated[str, Field(min_length=1)]
    """The query."""
    form: Literal["block", "text"] = "block"
    """A definite-length block, or numbers as text."""
    bits: Literal[8, 16, 32, 64] = 16
    """Width of a sample in a block."""
    coding: Literal["signed", "unsigned", "float"] = "signed"
    """Kind of a sample in a block."""
    byte_order: Literal["big", "little"] = "big"
    """Byte order of a sample in a block."""
    before: tuple[Counted, ...] = ()
    """Counts inside the block, before the samples."""
    separator: Annotated[str, Field(min_length=1, max_length=4)] = ","
    """Between numbers in text."""
    values: Literal["codes", "volts"] = "codes"
    """Whether the samples still need the scaling."""

    @model_validator(mode="after")
    def _consistent(self) -> Samples:
        if self.coding == "float" and self.bits not in (32, 64):
            raise ValueError("a float sample has 32 or 64 bits")
        if self.form == "text" and self.before:
            raise ValueError('counts before the samples need `form = "block"`')
        return self

    @property
    def dtype(self) -> np.dtype[Any]:
        """numpy type of a sample in a block."""
        letter = {"signed": "i", "unsigned": "u", "float": "f"}[self.coding]
        return np.dtype(f"{_ORDER[self.byte_order]}{letter}{self.bits // 8}")

    def block_bytes(self, segments: int, points: int) -> int:
        """Payload length of a block with so many samples."""
        return sum(f.bits // 8 for f in self.before) + segments * points * self.bits // 8


class Waveform(Words):
    """How records are fetched and scaled: volts = (code - y_reference) * y_increment_v + y_origin_v."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "select": PER_CHANNEL,
        "preamble": ("channel",),
        "queries": ("channel",),
    }

    fetch: Literal["all", "each"] = "all"
    """All segments of a channel in one reply, or one reply a segment (`{segment}`, from 1)."""
    select: Commands = ()
    """Sent before each query."""
    preamble: Asked | None = None
    """Query of a list of numbers."""
    fields: tuple[Quantity, ...] = ()
    """Meaning of the numbers of the preamble, in order."""
    queries: dict[Quantity, Asked] = Field(default_factory=dict)
    """Quantities that have a query of their own."""
    fixed: dict[Quantity, float] = Field(default_factory=dict)
    """Quantities that are always the same."""
    reference_before: bool = False
    """The origin is a code too: volts = (code - y_origin_v - y_reference) * y_increment_v."""
    data: Samples
    """The samples."""
    code_min: float | None = None
    """Lowest code the converter gives; None: by the width."""
    code_max: float | None = None
    """Highest code."""

    @model_validator(mode="after")
    def _complete(self) -> Waveform:
        if bool(self.preamble) != bool(self.fields):
            raise ValueError("`preamble` and `fields` go together")
        known = {*self.fields, *self.queries, *self.fixed}
        if self.data.values == "codes" and "y_increment_v" not in known:
            raise ValueError("codes can't become volts: `y_increment_v` is neither in fields, queries nor fixed")
        return self

    def code_limits(self) -> tuple[float | None, float | None]:
        """Lowest and highest code, where known."""
        if self.data.values == "volts" or self.data.coding == "float" or self.data.form == "text":
            return self.code_min, self.code_max
        info = np.iinfo(self.data.dtype)
        low = float(info.min) if self.code_min is None else self.code_min
        return low, float(info.max) if self.code_max is None else self.code_max


def read_preamble(reply: str, ask: Ask, fields: tuple[Quantity, ...]) -> dict[str, float]:
    """Quantities of a preamble. Raises ReplyError when it has fewer numbers than the dialect says."""
    items = ask.items(reply)
    if len(items) < len(fields):
        raise ReplyError(f"the preamble has {len(items)} numbers, {len(fields)} were expected", received=reply[:200])
    return {name: parse_number(item, reply) for name, item in zip(fields, items, strict=False) if name != "ignored"}


def scaling(values: dict[str, float], waveform: Waveform) -> tuple[float, float]:
    """(scale, offset) with volts = codes * scale + offset."""
    if waveform.data.values == "volts":
        return 1.0, 0.0
    step = values["y_increment_v"]
    origin, reference = values.get("y_origin_v", 0.0), values.get("y_reference", 0.0)
    if step == 0:
        raise ReplyError("the preamble gives a voltage step of zero")
    if waveform.reference_before:
        return step, -(origin + reference) * step
    return step, origin - reference * step


def decode_block(payload: NDArray[np.uint8], samples: Samples, segments: int, points: int) -> NDArray[Any]:
    """Codes `[segment, sample]` of a block, without a copy and in the byte order of the wire. Raises ReplyError."""
    at = 0
    if payload.size != samples.block_bytes(segments, points):
        raise ReplyError(f"the block has {payload.size} bytes, {samples.block_bytes(segments, points)} were expected")
    for field in samples.before:
        width = field.bits // 8
        count = int.from_bytes(payload[at : at + width].tobytes(), field.byte_order)
        wanted = {"points": points, "segments": segments}.get(field.name, count)
        if count != wanted:
            raise ReplyError(f"the block counts {count} {field.name}, {wanted} were expected")
        at += width
    return payload[at:].view(samples.dtype).reshape(segments, points)


def decode_text(reply: str, samples: Samples, segments: int, points: int) -> NDArray[np.float64]:
    """Numbers `[segment, sample]` of a text. Raises ReplyError."""
    items = reply.split(samples.separator)
    if len(items) != segments * points:
        raise ReplyError(f"{len(items)} values came, {segments * points} were expected", received=reply[:80])
    try:
        values = np.array([float(item) for item in items], np.float64)
    except ValueError as exc:
        raise ReplyError(f"a value is not a number: {exc}", received=reply[:80]) from exc
    if not np.isfinite(values).all() or (np.abs(values) >= 9e37).any():
        raise ReplyError("a value is not finite", received=reply[:80])
    return values.reshape(segments, points)
