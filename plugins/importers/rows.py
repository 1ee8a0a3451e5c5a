"""Rows of text to arrays: NumPy's parser for whole blocks, and a slow exact search for the bad cell when it refuses."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from greystep.schema.errors import ManifestError, Problem
from greystep.schema.table import Block
from numpy.typing import NDArray

from .columns import Layout, split

MAX_PROBLEMS: Final = 20
"""Bad cells shown of one block; a file of the wrong kind has millions."""
_INTEGER = re.compile(r"[+-]?\d+$")
_EXACT: Final = 2.0**53
"""Whole floats up to here are exact."""


def parse_rows(lines: Sequence[str], first_line: int, layout: Layout, name: str) -> Block:
    """Numbers of the wanted columns. Raises `ManifestError` with the place of every bad cell.

    A column is integer when its first cell is written as one and every value of the block is whole.
    """
    kept, numbers = _without_remarks(lines, first_line)
    if not kept:
        return Block({column: np.empty(0) for column in layout.index}, first_line)
    text = [line.replace(",", ".") for line in kept] if layout.decimal_comma else kept
    try:
        table = np.loadtxt(
            text,
            delimiter=layout.delimiter,
            comments=None,
            quotechar='"',
            usecols=tuple(layout.index.values()),
            ndmin=2,
        )
    except (ValueError, OverflowError):
        raise ManifestError(_bad_cells(kept, numbers, layout, name)) from None
    if len(table) != len(kept) or _ragged(kept, layout):
        raise ManifestError(_bad_cells(kept, numbers, layout, name))
    first = split(kept[0], layout.delimiter)
    values = {column: _whole(table[:, i], first[at]) for i, (column, at) in enumerate(layout.index.items())}
    consecutive = len(kept) == len(lines)
    return Block(values, first_line, None if consecutive else np.asarray(numbers, dtype=np.int64))


def _without_remarks(lines: Sequence[str], first_line: int) -> tuple[list[str], Sequence[int]]:
    """Lines that are neither blank nor remarks, and their numbers."""
    kept = [line for line in lines if line and not line.isspace() and line[0] not in "#%"]
    if len(kept) == len(lines):
        return kept, range(first_line, first_line + len(lines))
    numbers = [first_line + i for i, line in enumerate(lines) if line and not line.isspace() and line[0] not in "#%"]
    return kept, numbers


def _ragged(lines: Sequence[str], layout: Layout) -> bool:
    """Whether a row has more cells than the others: a sign of a shifted row or of a comma that isn't a delimiter."""
    if layout.delimiter is None:
        return False
    most = max(line.count(layout.delimiter) for line in lines) + 1
    return most > layout.cells and any(_extra(line, layout) for line in lines)


def _extra(line: str, layout: Layout) -> bool:
    return any(split(line, layout.delimiter)[layout.cells :])


def _whole(column: NDArray[np.float64], first_cell: str) -> NDArray[Any]:
    if _INTEGER.match(first_cell) and np.all(np.abs(column) < _EXACT) and np.array_equal(column, np.rint(column)):
        return column.astype(np.int64)
    return np.ascontiguousarray(column)


def _bad_cells(lines: Sequence[str], numbers: Sequence[int], layout: Layout, name: str) -> list[Problem]:
    problems: list[Problem] = []
    for line, number in zip(lines, numbers, strict=True):
        cells = split(line, layout.delimiter)
        for column, at in layout.index.items():
            wrong = _wrong(cells, at, layout.decimal_comma)
            if wrong:
                problems.append(Problem(wrong, name, number, column))
        if len(cells) > layout.cells and any(cells[layout.cells :]):
            problems.append(Problem(f"{len(cells)} cells where the other rows have {layout.cells}", name, number))
        if len(problems) >= MAX_PROBLEMS:
            break
    if not problems:
        problems = [Problem("can't be read as a table of numbers", name, numbers[0] if numbers else None)]
    return problems[:MAX_PROBLEMS]


def _wrong(cells: Sequence[str], at: int, decimal_comma: bool) -> str:
    """What is wrong with a cell; empty when nothing is."""
    if at >= len(cells):
        return f"the row has only {len(cells)} cells"
    cell = cells[at]
    if not cell:
        return "empty cell"
    try:
        float(np.loadtxt([cell.replace(",", ".") if decimal_comma else cell], comments=None, delimiter="\t"))
    except (ValueError, OverflowError, TypeError):
        return f"not a number: {cell[:40]!r}"
    return ""
