"""Program message syntax: units, headers, data elements (IEEE 488.2 clause 7, SCPI-1999 volume 1 chapters 6 and 7)."""

from __future__ import annotations

import re
from dataclasses import dataclass

from .errors import ScpiError

HEADER = re.compile(r"\s*(\*?:?[A-Za-z][A-Za-z0-9_:]*)(\??)")
NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[Ee]\s*[+-]?\d+)?)\s*([A-Za-z/%][A-Za-z0-9/%]*)?\Z")
NON_DECIMAL = re.compile(r"#([HhQqBb])([0-9A-Fa-f]+)\Z")
WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*\Z")
MAX_MNEMONIC = 12
"""Longest mnemonic that the standard allows (IEEE 488.2, 7.6.1.4.1)."""


@dataclass(frozen=True)
class Unit:
    """One program message unit: header and raw data elements."""

    header: str
    """As typed, without the question mark."""
    is_query: bool
    data: tuple[str, ...]
    """Data elements, stripped, unparsed."""


@dataclass(frozen=True)
class Quantity:
    """A number with its unit suffix (empty for none)."""

    value: float
    suffix: str


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Split at `separator`, but not inside quoted strings.

    Raises:
        ScpiError: -151 when a quote is not closed.
    """
    parts, start, quote = [], 0, ""
    for position, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == separator:
            parts.append(text[start:position])
            start = position + 1
    if quote:
        raise ScpiError(-151, "string without closing quote")
    parts.append(text[start:])
    return parts


def parse_unit(text: str) -> Unit:
    """Take one unit apart.

    Raises:
        ScpiError: -101, -102, -103, -110, -112 by what is wrong with it.
    """
    match = HEADER.match(text)
    if match is None:
        raise ScpiError(-102 if text.strip()[:1] in "?,;" else -101, text.strip()[:40])
    header, mark = match.groups()
    rest = text[match.end() :]
    if rest and not rest[0].isspace():
        raise ScpiError(-103 if rest[0] in ",;" else -101, f"after {header}: {rest[:20]}")
    if "::" in header or header.endswith(":"):
        raise ScpiError(-110, header)
    if any(len(part) > MAX_MNEMONIC for part in header.strip("*:").split(":")):
        raise ScpiError(-112, header)
    rest = rest.strip()
    data = tuple(part.strip() for part in split_outside_quotes(rest, ",")) if rest else ()
    if any(not part for part in data):
        raise ScpiError(-109 if data[-1] == "" else -102, f"empty parameter of {header}")
    return Unit(header, mark == "?", data)


def parse_number(element: str) -> Quantity:
    """A decimal or #H #Q #B number with an optional suffix.

    Raises:
        ScpiError: -104 for something else, -121 for a malformed number, -123 for an exponent beyond 32000.
    """
    match = NUMBER.match(element)
    if match is not None:
        mantissa, suffix = match.groups()
        exponent = re.search(r"[Ee]\s*([+-]?\d+)", mantissa)
        if exponent and abs(int(exponent.group(1))) > 32000:
            raise ScpiError(-123, element)
        return Quantity(float(re.sub(r"\s", "", mantissa)), (suffix or "").upper())
    match = NON_DECIMAL.match(element)
    if match is not None:
        base = {"H": 16, "Q": 8, "B": 2}[match.group(1).upper()]
        try:
            return Quantity(float(int(match.group(2), base)), "")
        except ValueError:
            raise ScpiError(-121, element) from None
    raise ScpiError(-121 if element[:1] in "+-.0123456789" else -104, element[:40])


def unquote(element: str) -> str:
    """The text of a quoted string, or the element itself."""
    if len(element) >= 2 and element[0] in "\"'" and element[-1] == element[0]:
        return element[1:-1].replace(element[0] * 2, element[0])
    return element
