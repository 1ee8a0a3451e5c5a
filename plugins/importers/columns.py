"""Where the wanted columns stand in a delimited text: delimiter, decimal sign, header row, units."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from greystep.schema.errors import ManifestError, Problem

DELIMITERS: Final = ("\t", ";", ",", None)
"""In the order in which they are tried; None: runs of blanks."""
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_UNIT_IN_NAME = (
    re.compile(r"^(?P<name>.+?)\s*\((?P<unit>[^()]*)\)$"),
    re.compile(r"^(?P<name>.+?)\s*\[(?P<unit>[^\[\]]*)\]$"),
    re.compile(r"^(?P<name>[^/]+?)\s*/\s*(?P<unit>[^/]+(/[^/]+)?)$"),
)
_UNITS: Final = frozenset(
    {
        *("s", "sec", "secs", "second", "seconds", "ms", "us", "µs", "μs", "ns", "min"),
        *("v", "volt", "volts", "mv", "uv", "µv", "μv", "nv", "a", "ma", "ua", "µa", "μa", "na"),
        *("cd/m2", "cd/m²", "cd/m^2", "cd·m-2", "nit", "nits", "lx", "lux", "w", "mw"),
        *("arb", "a.u.", "1", "-", "%", "counts"),
    }
)


@dataclass(frozen=True)
class Layout:
    """How to read the rows of one file."""

    delimiter: str | None
    """None: runs of blanks."""
    decimal_comma: bool
    index: dict[str, int]
    """Wanted column -> position in a row, from 0."""
    units: dict[str, str]
    header_line: int | None
    first_row_line: int
    """Line of the first row of numbers (or of the bad cell that stands there)."""
    cells: int
    """Cells of a row."""


def split(line: str, delimiter: str | None) -> list[str]:
    """Cells of a line, without blanks around them and without quotes."""
    if '"' in line and delimiter is not None:
        import csv

        cells = next(csv.reader([line], delimiter=delimiter), [])
    else:
        cells = line.split(delimiter)
    return [cell.strip().strip('"').strip() for cell in cells]


def is_number(cell: str) -> bool:
    """Whether a cell is a number with a point or a comma."""
    return bool(_NUMBER.match(cell))


def bare(cell: str) -> tuple[str, str]:
    """Name and unit of a header cell: `light (mV)`, `light [mV]`, `light / mV`; the unit is empty when there is none."""
    for pattern in _UNIT_IN_NAME:
        found = pattern.match(cell)
        if found:
            return found["name"].strip(), found["unit"].strip()
    return cell, ""


def find_columns(head: Sequence[str], wanted: Sequence[str], name: str) -> Layout:
    """Find the wanted columns in the first lines of a file.

    The header is the first line that names all of them; lines above it are free text. In a file without names, columns are
    called by their number: "1", "2". Raises `ManifestError` when a column is missing or named twice.
    """
    best: tuple[int, int, str | None] = (0, 0, None)
    for i, line in enumerate(head):
        for delimiter in DELIMITERS:
            cells = split(line.lstrip("#%").strip() if delimiter is None else line.lstrip("#%"), delimiter)
            found = sum(bool(_positions(cells, column)) for column in wanted)
            if found > best[0]:
                best = (found, i, delimiter)
        if best[0] == len(wanted):
            break
    if best[0] < len(wanted):
        by_number = _numbered(head, wanted, name) if not best[0] or all(w.isdecimal() for w in wanted) else None
        if by_number:
            return by_number
        raise ManifestError(_missing(head, wanted, name, best))
    return _named(head, wanted, name, best[1], best[2])


def _positions(cells: Sequence[str], column: str) -> list[int]:
    exact = [i for i, cell in enumerate(cells) if cell == column]
    return exact or [i for i, cell in enumerate(cells) if bare(cell)[0] == column and not is_number(cell)]


def _named(head: Sequence[str], wanted: Sequence[str], name: str, header: int, delimiter: str | None) -> Layout:
    cells = split(head[header].lstrip("#%"), delimiter)
    index: dict[str, int] = {}
    units: dict[str, str] = {}
    problems: list[Problem] = []
    for column in wanted:
        places = _positions(cells, column)
        if len(places) > 1:
            problems.append(Problem(f"{len(places)} columns bear this name", name, header + 1, column))
        index[column] = places[0]
        found, unit = bare(cells[places[0]])
        if unit and found != cells[places[0]]:
            units[column] = unit
    if problems:
        raise ManifestError(problems)
    first = header + 1
    while first < len(head) and _skippable(head[first], delimiter, index, units):
        first += 1
    comma = delimiter != "," and _decimal_comma(head[first:], delimiter, index)
    count = len(split(head[first], delimiter)) if first < len(head) else len(cells)
    return Layout(delimiter, comma, index, units, header + 1, first + 1, max(count, len(cells)))


def _skippable(line: str, delimiter: str | None, index: dict[str, int], units: dict[str, str]) -> bool:
    """Blank lines, remarks and a row of units between the header and the numbers; units found are noted."""
    if not line.strip() or line.lstrip().startswith(("#", "%")):
        return True
    cells = split(line, delimiter)
    found: dict[str, str] = {}
    for column, i in index.items():
        text = cells[i].strip("()[] ") if i < len(cells) else ""
        if text and text.lower() not in _UNITS:
            return False
        if text and text != "1":
            found[column] = text
        elif is_number(cells[i] if i < len(cells) else ""):
            return False
    units.update(found)
    return bool(found)


def _decimal_comma(rows: Sequence[str], delimiter: str | None, index: dict[str, int]) -> bool:
    """Whether numbers bear a comma: the first sign in the wanted cells decides."""
    for line in rows:
        cells = split(line, delimiter)
        for i in index.values():
            if i < len(cells) and is_number(cells[i]):
                if "," in cells[i]:
                    return True
                if "." in cells[i]:
                    return False
    return False


def _numbered(head: Sequence[str], wanted: Sequence[str], name: str) -> Layout | None:
    """Layout of a file without column names; None when the wanted names are no numbers."""
    if not all(column.isdecimal() and 1 <= int(column) <= 10_000 for column in wanted):
        return None
    need = max(int(column) for column in wanted)
    index = {column: int(column) - 1 for column in wanted}
    for i, line in enumerate(head):
        for delimiter in DELIMITERS:
            cells = split(line, delimiter)
            # A comma that makes one number of two cells is no delimiter where another one does the same.
            if len(cells) >= need and all(is_number(cells[j]) for j in index.values()):
                comma = delimiter != "," and _decimal_comma(head[i:], delimiter, index)
                return Layout(delimiter, comma, index, {}, None, i + 1, len(cells))
    raise ManifestError([Problem(f"no line with {need} numbers in the first {len(head)} lines", name, 1)])


def _missing(head: Sequence[str], wanted: Sequence[str], name: str, best: tuple[int, int, str | None]) -> list[Problem]:
    found, line, delimiter = best
    if found:
        cells = split(head[line].lstrip("#%"), delimiter)
    else:
        line, cells = _likely_header(head)
    have = ", ".join(repr(cell) for cell in cells[:12] if cell) or "none"
    return [
        Problem(f"no such column; the columns are {have}"[:300], name, line + 1, column)
        for column in wanted
        if not (found and _positions(cells, column))
    ]


def _likely_header(head: Sequence[str]) -> tuple[int, list[str]]:
    """The line above the first row of numbers, as the file's most probable header."""
    for i, line in enumerate(head):
        for delimiter in DELIMITERS:
            cells = split(line, delimiter)
            if cells and all(is_number(cell) for cell in cells):
                if i == 0:
                    return 0, [str(j + 1) for j in range(len(cells))]
                return i - 1, split(head[i - 1].lstrip("#%"), delimiter)
    return 0, [head[0].strip()[:60]] if head else []
