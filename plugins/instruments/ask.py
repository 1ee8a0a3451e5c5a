"""Queries of a dialect: what is asked and how the reply is read. Pure: text in, values out."""

from __future__ import annotations

import math
import re
from typing import Annotated, Any

from greystep.schema.errors import ReplyError
from greystep.schema.model import Model
from pydantic import BeforeValidator, Field

from .expression import Expression

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_BASED = re.compile(r"#([HhQqBb])([0-9A-Fa-f]{1,13})")
INVALID_SCPI = 9e37
"""From here on a number stands for infinity, overload or "not a number" (SCPI-1999 volume 1, 7.2.1.4)."""


class Ask(Model):
    """A query and the reading of its reply. A bare string in the file is the query alone."""

    ask: Annotated[str, Field(min_length=1, max_length=1000)]
    """The query."""
    pattern: Expression = ""
    """Regular expression whose first group (or whole match) is the value; empty: the whole reply."""
    item: Annotated[int, Field(ge=1, le=1000)] | None = None
    """Which item of a separated list is the value, from 1."""
    separator: Annotated[str, Field(min_length=1, max_length=4)] = ","
    """Between the items of a list."""
    scale: float = 1.0
    """Factor from the reply to the unit that the driver works in."""
    offset: float = 0.0
    """Added after the factor."""
    inverse: bool = False
    """Take the reciprocal at last: the reply is a rate and an interval is wanted."""
    words: dict[str, float] = Field(default_factory=dict)
    """Words that stand for numbers, such as `OFF = 0`; case does not matter."""

    def text(self, reply: str) -> str:
        """The part of the reply that is the value, without quotes. Raises ReplyError."""
        value = reply
        if self.pattern:
            found = re.search(self.pattern, reply)
            if not found:
                raise ReplyError("the reply does not look as the dialect says", received=reply[:200])
            value = found[1] if found.re.groups else found[0]
        if self.item is not None:
            items = value.split(self.separator)
            if len(items) < self.item:
                raise ReplyError(f"the reply has {len(items)} items, number {self.item} is needed", received=reply[:200])
            value = items[self.item - 1]
        return value.strip().strip("\"'")

    def number(self, reply: str) -> float:
        """The value as a finite number. Raises ReplyError."""
        return self._scaled(self.text(reply), reply)

    def whole(self, reply: str) -> int:
        """The value as a whole number. Raises ReplyError."""
        value = self.number(reply)
        if value != int(value):
            raise ReplyError("the reply is not a whole number", received=reply[:200])
        return int(value)

    def items(self, reply: str) -> list[str]:
        """The items of a list; an empty reply is an empty list. Raises ReplyError."""
        text = self.text(reply)
        return [item.strip().strip("\"'") for item in text.split(self.separator)] if text else []

    def numbers(self, reply: str) -> list[float]:
        """The items of a list as numbers. Raises ReplyError."""
        return [self._scaled(item, reply) for item in self.items(reply)]

    def _scaled(self, text: str, reply: str) -> float:
        for word, value in self.words.items():
            if text.casefold() == word.casefold():
                return value
        value = parse_number(text, reply) * self.scale + self.offset
        if not self.inverse:
            return value
        if value == 0:
            raise ReplyError("the reply is zero where its reciprocal is wanted", received=reply[:200])
        return 1 / value


def parse_number(text: str, reply: str = "") -> float:
    """A finite number as SCPI writes it: decimal, or whole as `#H1F`, `#Q17`, `#B11`. Raises ReplyError."""
    if based := _BASED.fullmatch(text.strip()):
        base = {"H": 16, "Q": 8, "B": 2}[based[1].upper()]
        try:
            return float(int(based[2], base))
        except ValueError as exc:
            raise ReplyError("the reply is not a number", received=(reply or text)[:200]) from exc
    if not _NUMBER.fullmatch(text.strip()) or len(text) > 64:
        raise ReplyError("the reply is not a number", received=(reply or text)[:200])
    value = float(text)
    if not math.isfinite(value) or abs(value) >= INVALID_SCPI:
        raise ReplyError("the instrument has no value for it", received=(reply or text)[:200])
    return value


class Condition(Ask):
    """A query whose reply means yes or no."""

    mask: Annotated[int, Field(ge=1, le=0xFFFFFFFF)] | None = None
    """Yes when one of these bits is set."""
    unless: bool = False
    """Turn the answer round."""
    equals: tuple[str, ...] = ()
    """Yes when the reply is one of these words; case does not matter."""

    def holds(self, reply: str) -> bool:
        """Whether the reply means yes. Raises ReplyError."""
        if self.equals:
            yes = self.text(reply).casefold() in {word.casefold() for word in self.equals}
        elif self.mask is not None:
            yes = bool(self.whole(reply) & self.mask)
        else:
            yes = bool(self.number(reply))
        return yes is not self.unless


def _as_table(value: Any) -> Any:
    return {"ask": value} if isinstance(value, str) else value


Asked = Annotated[Ask, BeforeValidator(_as_table)]
"""A query, or the bare text of it."""
AskedWhether = Annotated[Condition, BeforeValidator(_as_table)]
"""A yes-or-no query, or the bare text of it."""
