"""The command tree: headers such as `[SENSe:]VOLTage<1:2>:RANGe:PTPeak`, found in long, short and mixed forms."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import product
from typing import Any

from .errors import ScpiError
from .parameters import LimitWord, Number, Parameter, number_text, short_form
from .syntax import Unit

Handler = Callable[..., Any]

_NODE = re.compile(r"\[?:?([A-Za-z]+)(?:<(\d+):(\d+)>)?:?\]?")
_TYPED = re.compile(r"([A-Za-z_]+)(\d*)\Z")


@dataclass(frozen=True)
class Command:
    """One header and what it does. Handlers get the numeric suffixes of the header first, then the parameters."""

    header: str
    """Optional nodes in brackets, numeric suffixes as <first:last>."""
    action: Handler | None = None
    """Called for the command form."""
    query: Handler | None = None
    """Called for the query form; returns text, bytes, or a list of buffers; may be a coroutine function."""
    parameters: tuple[Parameter, ...] = ()
    query_parameters: tuple[Parameter, ...] = ()


@dataclass
class _Node:
    suffixes: tuple[int, int] | None = None
    children: dict[str, _Node] = field(default_factory=dict)
    command: Command | None = None


def setting(header: str, number: Number, get: Handler, put: Handler) -> Command:
    """A numeric setting: command with a number, query with an optional MINimum, MAXimum or DEFault."""

    def query(*arguments: float) -> str:
        *suffixes, last = arguments if len(arguments) > header.count("<") else (*arguments, None)
        return number_text(last if last is not None else get(*suffixes))

    return Command(header, put, query, (number,), (LimitWord(number),))


class CommandTree:
    """All commands of one instrument."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._root = _Node()
        self._starred: dict[str, Command] = {}
        for command in commands:
            self._insert(command)

    def _insert(self, command: Command) -> None:
        if command.header.startswith("*"):
            self._starred[command.header.upper()] = command
            return
        for path in _expansions(command.header):
            node = self._root
            for word, suffixes in path:
                child = node.children.get(word.upper()) or _Node(suffixes)
                node.children[word.upper()] = node.children[short_form(word)] = child
                node = child
            node.command = command

    def find(self, header: str, path: list[str]) -> tuple[Command, list[int], list[str]]:
        """Command, numeric suffixes and the path for the next unit.

        `path` is the path that the unit before left behind (SCPI-1999 volume 1, 6.2.4).

        Raises:
            ScpiError: -113 for an unknown header, -114 for a suffix out of range.
        """
        if header.startswith("*"):
            if header.upper() not in self._starred:
                raise ScpiError(-113, header)
            return self._starred[header.upper()], [], path
        typed = header.lstrip(":").split(":")
        nodes = typed if header.startswith(":") else path + typed
        command, suffixes = self._walk(nodes, header)
        return command, suffixes, nodes[:-1]

    def _walk(self, nodes: list[str], header: str) -> tuple[Command, list[int]]:
        node, suffixes = self._root, []
        for typed in nodes:
            match = _TYPED.match(typed)
            child = node.children.get(match.group(1).upper()) if match else None
            if match is None or child is None or (match.group(2) and child.suffixes is None):
                raise ScpiError(-113, header)
            if child.suffixes is not None:
                number = int(match.group(2) or child.suffixes[0])
                if not child.suffixes[0] <= number <= child.suffixes[1]:
                    raise ScpiError(-114, header)
                suffixes.append(number)
            node = child
        if node.command is None:
            raise ScpiError(-113, header)
        return node.command, suffixes

    def handler(self, unit: Unit, command: Command) -> tuple[Handler, tuple[Parameter, ...]]:
        """Handler and parameters of the form that was sent. Raises -113 where a header has no such form."""
        chosen = command.query if unit.is_query else command.action
        if chosen is None:
            raise ScpiError(-113, unit.header + ("?" if unit.is_query else ""))
        return chosen, command.query_parameters if unit.is_query else command.parameters


def _expansions(header: str) -> list[list[tuple[str, tuple[int, int] | None]]]:
    """All paths of a header, with and without its optional nodes."""
    choices = []
    for match in _NODE.finditer(header):
        word, low, high = match.groups()
        node = (word, (int(low), int(high)) if low else None)
        optional = match.group(0).startswith("[")
        choices.append([[node], []] if optional else [[node]])
    return [[node for part in combination for node in part] for combination in product(*choices)]
