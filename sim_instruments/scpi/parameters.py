"""Parameter types of commands: they turn a raw data element into a value, or raise the standard's error."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from .errors import ScpiError
from .syntax import WORD, parse_number, unquote

SECONDS = {"S": 1.0, "MS": 1e-3, "US": 1e-6, "NS": 1e-9}
VOLTS = {"V": 1.0, "MV": 1e-3, "UV": 1e-6, "KV": 1e3}
HERTZ = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6}
"""The standard's odd rule: MHZ is mega, MS is milli."""


class Parameter(Protocol):
    """One parameter of a command."""

    @property
    def optional(self) -> bool:
        """Whether it may be left out."""

    def parse(self, element: str) -> Any:
        """The value of a raw element. Raises ScpiError."""


def short_form(word: str) -> str:
    """The capitals and digits of a mnemonic written like `IMMediate`."""
    return "".join(character for character in word if not character.islower()).upper()


def matches(word: str, typed: str) -> bool:
    """Whether `typed` is the long or short form of `word`."""
    return typed.upper() in (word.upper(), short_form(word))


@dataclass(frozen=True)
class Number:
    """A number within limits, with MINimum, MAXimum and DEFault."""

    low: float
    high: float
    default: float
    units: dict[str, float] | None = None
    integer: bool = False
    optional: bool = False

    def parse(self, element: str) -> float:
        """Value in base units. Raises -222 outside the limits, -131 or -138 for a wrong suffix."""
        special = self.special(element)
        if special is not None:
            return special
        quantity = parse_number(element)
        value = quantity.value
        if quantity.suffix:
            if self.units is None:
                raise ScpiError(-138, element)
            if quantity.suffix not in self.units:
                raise ScpiError(-131, element)
            value *= self.units[quantity.suffix]
        if self.integer and math.isfinite(value):
            value = float(round(value))
        if not self.low <= value <= self.high:
            raise ScpiError(-222, f"{element} is not within {self.low:g} to {self.high:g}")
        return value

    def special(self, element: str) -> float | None:
        """Value of MINimum, MAXimum or DEFault; None for anything else."""
        for word, value in (("MINimum", self.low), ("MAXimum", self.high), ("DEFault", self.default)):
            if matches(word, element):
                return value
        return None


@dataclass(frozen=True)
class LimitWord:
    """The optional MINimum, MAXimum or DEFault after a query of a number."""

    number: Number
    optional: bool = True

    def parse(self, element: str) -> float:
        value = self.number.special(element)
        if value is None:
            raise ScpiError(-224 if WORD.match(element) else -104, element)
        return value


@dataclass(frozen=True)
class Choice:
    """One of several words; the value is the short form."""

    words: tuple[str, ...]
    optional: bool = False

    def parse(self, element: str) -> str:
        if WORD.match(element) is None:
            raise ScpiError(-104, element)
        for word in self.words:
            if matches(word, element):
                return short_form(word)
        raise ScpiError(-224, f"{element} is none of {'|'.join(self.words)}")


@dataclass(frozen=True)
class Boolean:
    """ON, OFF, or a number (0 is off)."""

    optional: bool = False

    def parse(self, element: str) -> bool:
        if element.upper() in ("ON", "OFF"):
            return element.upper() == "ON"
        return abs(parse_number(element).value) >= 0.5


@dataclass(frozen=True)
class Text:
    """A word, a number or a quoted string, taken as it is."""

    optional: bool = False

    def parse(self, element: str) -> str:
        return unquote(element)


@dataclass(frozen=True)
class Numbers:
    """The rest of the elements as a list of numbers (must be the last parameter)."""

    each: Number
    most: int
    optional: bool = False

    def parse(self, element: str) -> float:
        return self.each.parse(element)


def bind(parameters: tuple[Parameter, ...], data: tuple[str, ...]) -> list[Any]:
    """Values for a handler from raw elements.

    Raises:
        ScpiError: -109 too few, -108 too many, -223 list too long, and what each parameter raises.
    """
    if parameters and isinstance(parameters[-1], Numbers):
        return _bind_list(parameters, data)
    required = sum(not parameter.optional for parameter in parameters)
    if len(data) < required:
        raise ScpiError(-109)
    if len(data) > len(parameters):
        raise ScpiError(-108, data[len(parameters)])
    return [parameter.parse(element) for parameter, element in zip(parameters, data, strict=False)]


def _bind_list(parameters: tuple[Parameter, ...], data: tuple[str, ...]) -> list[Any]:
    *single, last = parameters
    assert isinstance(last, Numbers)
    head, tail = data[: len(single)], data[len(single) :]
    if len(head) < len(single) or not tail:
        raise ScpiError(-109)
    if len(tail) > last.most:
        raise ScpiError(-223, f"{len(tail)} values, at most {last.most}")
    return [*(parameter.parse(element) for parameter, element in zip(single, head, strict=True)), [last.parse(e) for e in tail]]


Formatter = Callable[[float], str]


def number_text(value: float) -> str:
    """A number as the instruments answer it: whole ones plain, others with all their digits."""
    if value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(float(value)).upper()
