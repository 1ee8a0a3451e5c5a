"""TOML that remembers its lines, so that every problem can be shown where the user wrote it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from .errors import InputError, Problem

MAX_TOML_BYTES: Final = 64 * 1024
"""Larger files are refused unread: a nested TOML of 40 kB took the parser 7.5 s and 1.5 GB."""
MAX_NESTING: Final = 24
# The name begins and ends with what is no space: otherwise a line of 2,000 spaces took 9 s, one of 60,000 for ever.
_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]#\s](?:[^\[\]#]*[^\[\]#\s])?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'))*)\s*=")
_TOKEN = re.compile(r"""([A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')|\.|[^ \t.]""")
_PART = re.compile(r"[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'")
M = TypeVar("M", bound=BaseModel)
Loc = tuple[str | int, ...]


def _parts(key: str) -> list[str]:
    return [p[1:-1] if p[0] in "\"'" else p for p in _PART.findall(key)]


def _depth(text: str) -> int:
    """Deepest bracket nesting; an over-estimate when brackets stand in strings, which is fine for a limit."""
    depth = deepest = 0
    for c in text:
        if c in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif c in "]}":
            depth -= 1
    return deepest


def _longest_key(text: str) -> int:
    """Parts of the longest dotted key; the parser's time and memory grow with its square, and with every key below it."""
    longest = parts = 0
    dotted = False
    for token in _TOKEN.finditer(text):
        if token[0] == ".":
            dotted = True
            continue
        if token[1] is None:
            parts = 0
        else:
            parts = parts + 1 if dotted else 1
            longest = max(longest, parts)
        dotted = False
    return longest


@dataclass(frozen=True)
class TomlSource:
    """A parsed TOML text with the line of each key."""

    text: str
    name: str
    """File name for messages."""
    data: dict[str, Any] = field(repr=False)
    lines: dict[Loc, int] = field(repr=False)

    @classmethod
    def parse(cls, text: str, name: str, error: type[InputError] = InputError) -> TomlSource:
        """Parse a text. Raises `error` with one problem when it is empty, too large, too deep, or not TOML."""
        if len(text.encode("utf-8", "surrogatepass")) > MAX_TOML_BYTES:
            raise error([Problem(f"larger than {MAX_TOML_BYTES // 1024} KiB", name)])
        if not text.strip():
            raise error([Problem("the file is empty", name)])
        if _depth(text) > MAX_NESTING or _longest_key(text) > MAX_NESTING:
            raise error([Problem(f"nested deeper than {MAX_NESTING} levels", name)])
        try:
            data = tomllib.loads(text)
        except ValueError as exc:  # of TOML, and of a number with more digits than Python reads
            found = re.search(r"\(at line (\d+), column (\d+)\)", str(exc))
            line, column = (int(found[1]), int(found[2])) if found else (len(text.splitlines()), None)
            message = re.sub(r"\s*\(at .*\)$", "", str(exc))
            raise error([Problem(f"not valid TOML: {message}", name, line, column)]) from exc
        except RecursionError as exc:
            raise error([Problem(f"nested deeper than {MAX_NESTING} levels", name)]) from exc
        return cls(text, name, data, _locate(text))

    @classmethod
    def read(cls, path: Path, error: type[InputError] = InputError) -> TomlSource:
        """Read and parse a regular file; links, devices and oversized files are refused unread."""
        try:
            if not path.is_file():
                raise error([Problem("no such file" if not path.exists() else "not a regular file", str(path))])
            with path.open("rb") as stream:
                raw = stream.read(MAX_TOML_BYTES + 1)
        except OSError as exc:
            raise error([Problem(f"can't be read: {exc.strerror}", str(path))]) from exc
        if len(raw) > MAX_TOML_BYTES:
            raise error([Problem(f"larger than {MAX_TOML_BYTES // 1024} KiB", str(path))])
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError as exc:
            line = raw[: exc.start].count(b"\n") + 1
            raise error([Problem("not UTF-8 text", str(path), line)]) from exc
        return cls.parse(text, str(path), error)

    def line(self, loc: Sequence[str | int]) -> int | None:
        """Line (from 1) of the key at this path, or of the nearest table around it."""
        path = tuple(loc)
        while path:
            if path in self.lines:
                return self.lines[path]
            path = path[:-1]
        return None

    def problem(self, loc: Sequence[str | int], message: str) -> Problem:
        """A problem at a path in this file."""
        return Problem(message, self.name, self.line(loc) or 1, path=".".join(str(p) for p in loc))

    def validate(self, model: type[M], error: type[InputError] = InputError) -> M:
        """Build the model. Raises `error` with every problem, each at its line."""
        try:
            return model.model_validate(self.data)
        except ValidationError as exc:
            problems = [self.problem(_data_loc(e["loc"], self.data), _words(e)) for e in _leaves(exc.errors())]
            raise error(problems) from exc


def _leaves(errors: Sequence[Any]) -> list[Any]:
    """Without the follow-up that a list is too short because its entries could not be used."""
    below = {tuple(e["loc"][:i]) for e in errors for i in range(len(e["loc"]))}
    return [e for e in errors if e["type"] != "too_short" or tuple(e["loc"]) not in below]


def _data_loc(loc: Loc, data: Any) -> Loc:
    """Drop the parts of a pydantic path that name union members or validators and not keys of the file."""
    out: list[str | int] = []
    node: Any = data
    for i, part in enumerate(loc):
        if isinstance(node, dict) and (part in node or i == len(loc) - 1):
            out.append(part)
            node = node.get(part)
        elif isinstance(node, list) and isinstance(part, int) and part < len(node):
            out.append(part)
            node = node[part]
    return tuple(out)


_KINDS = {
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "string_type": "a text",
}
"""What TOML calls what the model's language calls otherwise."""


def _words(error: Any) -> str:
    kind, message = error["type"], str(error["msg"])
    if kind == "extra_forbidden":
        return "unknown key"
    if kind == "missing":
        return "missing"
    message = re.sub(r"^(Value error|Assertion failed), ", "", message)
    message = f"should be {_KINDS[kind]}" if kind in _KINDS else message[:1].lower() + message[1:]
    given = error.get("input")
    if isinstance(given, (str, int, float, bool)) and kind != "value_error":
        message += f", not {str(given)[:60]!r}"
    return message


def _locate(text: str) -> dict[Loc, int]:
    """Map each header and `key =` to its line. The text is already known to be valid TOML."""
    lines: dict[Loc, int] = {}
    counts: dict[Loc, int] = {}
    prefix: Loc = ()
    closing: str | None = None
    for number, line in enumerate(text.splitlines(), 1):
        if closing:
            if closing in line:
                closing = None
            continue
        header = _HEADER.match(line)
        if header and not _KEY.match(line):
            prefix = _resolve(_parts(header[2]), counts, append=header[1] == "[[")
            lines.setdefault(prefix, number)
            continue
        key = _KEY.match(line)
        if key:
            lines.setdefault(prefix + tuple(_parts(key[1])), number)
            value = line[key.end() :]
            for mark in ('"""', "'''"):
                if value.count(mark) % 2 == 1:
                    closing = mark
    return lines


def _resolve(parts: list[str], counts: dict[Loc, int], *, append: bool) -> Loc:
    """Insert the running index of each array of tables on the way to a header."""
    path: Loc = ()
    for i, part in enumerate(parts):
        path = (*path, part)
        last = i == len(parts) - 1
        if last and append:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path
