"""Reader of delimited text: comma, semicolon, tab or blanks; point or comma as decimal sign; header lines; gzip."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final

from greystep.schema.errors import ManifestError, Problem
from greystep.schema.table import Block, Table

from .characters import MAX_LINE, line_blocks, open_text
from .columns import Layout, find_columns
from .rows import parse_rows

HEAD_LINES: Final = 1000
"""The header must stand within these."""
BLOCK_CHARS: Final = 8 << 20


def read_text(path: Path, columns: tuple[str, ...], name: str) -> Table:
    """Open a delimited text file. See `greystep.schema.table` for the contract."""
    with open_text(path, name) as text:
        head = _head(text, name)
    if not any(line.strip() for line in head):
        raise ManifestError([Problem("the file is empty", name, 1)])
    layout = find_columns(head, columns, name)
    return Table(_blocks(path, layout, name), layout.units, layout.header_line)


def _head(text: IO[str], name: str) -> list[str]:
    lines: list[str] = []
    for number in range(1, HEAD_LINES + 1):
        line = text.readline(MAX_LINE)
        if not line:
            break
        if len(line) == MAX_LINE:
            raise ManifestError([Problem(f"a line of more than {MAX_LINE:,} characters: not a table", name, number)])
        if "\0" in line:
            raise ManifestError([Problem("holds a zero byte: not a text file", name, number)])
        lines.append(line.rstrip("\n"))
    return lines


def _blocks(path: Path, layout: Layout, name: str) -> Iterator[Block]:
    with open_text(path, name) as text:
        skipped = layout.first_row_line - 1
        for _ in itertools.islice(text, skipped):
            pass
        for first_line, lines in _chunks(text, name, layout.first_row_line):
            block = parse_rows(lines, first_line, layout, name)
            if block.rows:
                yield block


def _chunks(text: IO[str], name: str, first_line: int) -> Iterator[tuple[int, list[str]]]:
    # `next` on a text file switches its position cookie off; only `tell` would mind.
    yield from line_blocks(text, name, first_line, BLOCK_CHARS)
