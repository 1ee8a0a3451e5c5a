"""A plain terminal: lines out, lines in, also over SSH; nothing that a dumb terminal can't do."""

from __future__ import annotations

import select
import sys
from typing import IO, Protocol


class Terminal(Protocol):
    """Where the operator reads and types."""

    def say(self, text: str) -> None:
        """Print a line or more."""

    def line(self, timeout_s: float) -> str | None:
        """A line that was typed, without its end; None when there was none in time. Raises EOFError at the end."""


class PlainTerminal:
    """Standard input and output."""

    def __init__(self, source: IO[str] | None = None, target: IO[str] | None = None) -> None:
        self._in = source or sys.stdin
        self._out = target or sys.stdout

    def say(self, text: str) -> None:
        """Print at once."""
        print(text, file=self._out, flush=True)

    def line(self, timeout_s: float) -> str | None:
        """Wait for a line."""
        ready, _, _ = select.select([self._in], [], [], timeout_s)
        if not ready:
            return None
        text = self._in.readline()
        if not text:
            raise EOFError
        return text.rstrip("\r\n")
