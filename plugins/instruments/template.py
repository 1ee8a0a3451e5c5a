"""Command words with places for values, as a dialect file writes them: `SENS:VOLT{channel}:RANG:PTP {range_v}`.

A place may scale its value by a constant and format it: `{range_v/8}`, `{offset_v*-1:.3f}`, `{sample_interval_s*1e6}`.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, ClassVar

from greystep.schema.model import Model
from pydantic import BeforeValidator, ValidationInfo, field_validator

_FORMATTER = string.Formatter()
_PLACE = re.compile(r"(\w+)(?:\s*([*/])\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?))?")


class _Words(string.Formatter):
    """Floats with ten significant digits unless the dialect says otherwise: enough for any setting, short for old parsers."""

    def get_field(self, field_name: str, args: Any, kwargs: Any) -> Any:
        name, factor = _split(field_name)
        value = kwargs[name]
        return (value if factor is None else value * factor), name

    def format_field(self, value: Any, format_spec: str) -> Any:
        if isinstance(value, float) and not format_spec:
            return f"{value:.10g}"
        return super().format_field(value, format_spec)


_WORDS = _Words()


def fill(template: str, values: Mapping[str, Any]) -> str:
    """The command with its values."""
    return str(_WORDS.vformat(template, (), values))


def places(template: str) -> set[str]:
    """Names of the places in a template. Raises ValueError when it isn't one."""
    try:
        parsed = list(_FORMATTER.parse(template))
    except ValueError as exc:
        raise ValueError(f"{template!r}: {exc}; write {{{{ and }}}} for braces") from exc
    return {_split(name)[0] for _, name, _, _ in parsed if name is not None}


def _split(place: str) -> tuple[str, float | None]:
    """Name and factor of a place. Raises ValueError when the factor is no number."""
    found = _PLACE.fullmatch(place)
    if not found:
        raise ValueError(f"{{{place}}}: a place is a name, which may be followed by * or / and a number")
    name, sign, digits = found.groups()
    if sign is None:
        return name, None
    return name, float(digits) if sign == "*" else 1 / float(digits)


def check_places(template: str, known: Iterable[str]) -> str:
    """The template itself. Raises ValueError when it has a place that is not known in this step."""
    allowed = sorted(known)
    unknown = sorted(places(template) - set(allowed))
    if unknown:
        offer = ", ".join(f"{{{name}}}" for name in allowed) or "none"
        raise ValueError(f"{template!r} has no value for {{{unknown[0]}}}; known here: {offer}")
    if any(c in template for c in "\r\n"):
        raise ValueError(f"{template!r}: one command is one line; write several as a list")
    return template


def _as_list(value: Any) -> Any:
    if isinstance(value, str):
        return (value,) if value else ()
    return tuple(value) if isinstance(value, list) else value


Commands = Annotated[tuple[str, ...], BeforeValidator(_as_list)]
"""A step: one command or a list of them."""


class Words(Model):
    """A table of a dialect. Each step may use the places that `PLACES` gives it, and no others."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    """Field -> names of the values that its commands and queries can hold."""

    @field_validator("*")
    @classmethod
    def _known_places(cls, value: Any, info: ValidationInfo) -> Any:
        if info.field_name is not None and info.field_name in cls.PLACES:
            for template in _templates(value):
                check_places(template, cls.PLACES[info.field_name])
        return value


def _templates(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, (tuple, list)):
        return [template for entry in value for template in _templates(entry)]
    if isinstance(value, Mapping):
        return [template for entry in value.values() for template in _templates(entry)]
    return _templates(getattr(value, "ask", ()))
