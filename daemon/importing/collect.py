"""Read the columns of one file whole, with every value checked; long columns go to disk, not to memory."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from greystep.schema.errors import ManifestError, Problem
from greystep.schema.layout import MAX_SAMPLES
from greystep.schema.table import Block, Table, TableReader
from numpy.typing import NDArray

from .axis import Axis, AxisCheck
from .opening import open_table
from .units import time_factor

MIN_SAMPLES: Final = 20
"""Fewer samples hold no trace that could be reduced to a figure."""
SPILL_BYTES: Final = 32 << 20
"""Longer columns wait on disk until they are archived."""


@dataclass(frozen=True)
class Columns:
    """Checked columns of one file."""

    light: Mapping[str, NDArray[Any]]
    """Column -> [sample]; integers as the narrowest type that holds them."""
    axes: Mapping[str, Axis]
    """Time column -> axis."""
    units: Mapping[str, str]
    """Column -> unit as written; no entry where nothing is stated."""


class LightCheck:
    """Finds values that are no numbers, column by column."""

    def __init__(self, columns: Iterable[str], name: str) -> None:
        self._first: dict[str, tuple[int | None, int, float]] = {}
        self._count = dict.fromkeys(columns, 0)
        self._name = name
        self._rows = 0

    def feed(self, block: Block) -> None:
        """Check the next rows."""
        for column in self._count:
            values = block.values[column]
            if values.dtype.kind != "f":
                continue
            bad = np.flatnonzero(~np.isfinite(values))
            if len(bad):
                row = int(bad[0])
                self._first.setdefault(column, (block.line(row), self._rows + row + 1, float(values[row])))
                self._count[column] += len(bad)
        self._rows += block.rows

    @property
    def problems(self) -> list[Problem]:
        """One problem a column, at its first bad value."""
        out = []
        for column, (line, row, value) in self._first.items():
            more = self._count[column] - 1
            what = f"the value is {value}" + (f" (and {more} more such values)" if more else "")
            out.append(Problem(what if line is not None else f"row {row}: {what}", self._name, line, column))
        return out


def axis_checks(table: Table, times: Iterable[str], name: str) -> tuple[dict[str, AxisCheck], list[Problem]]:
    """A check for each time column, and a problem for each whose unit is no unit of time."""
    checks, problems = {}, []
    for column in times:
        factor = time_factor(column, table.units.get(column))
        if factor is None:
            what = f"the unit {table.units[column]!r} is no unit of time"
            problems.append(Problem(what, name, table.header_line, column))
        else:
            checks[column] = AxisCheck(column, factor, name)
    return checks, problems


def read_columns(
    path: Path,
    name: str,
    light: tuple[str, ...],
    times: tuple[str, ...],
    readers: Mapping[str, TableReader],
    spill: Path,
) -> Columns:
    """Read columns of a file.

    Args:
        path: the file.
        name: its name for messages.
        light: columns of values.
        times: columns of time.
        readers: file name ending -> reader.
        spill: folder for long columns while they wait.

    Raises:
        ManifestError: every problem of the file.
    """
    parts: dict[str, list[NDArray[Any]]] = {column: [] for column in light}
    rows = 0
    columns = tuple(dict.fromkeys((*times, *light)))
    with open_table(path, columns, name, readers) as table:
        checks, problems = axis_checks(table, times, name)
        values = LightCheck(light, name)
        for block in table.blocks:
            rows += block.rows
            if rows > MAX_SAMPLES:
                raise ManifestError([Problem(f"more than {MAX_SAMPLES:,} samples", name)])
            values.feed(block)
            for check in checks.values():
                check.feed(block)
            for column in light:
                parts[column].append(np.asarray(block.values[column]))
        problems += [p for c in checks.values() for p in c.problems] + values.problems
    if rows < MIN_SAMPLES:
        problems.append(Problem(f"only {rows} samples; at least {MIN_SAMPLES} are needed", name, table.header_line))
    if problems:
        raise ManifestError(problems)
    joined = {column: _keep(_narrow(np.concatenate(parts.pop(column))), spill) for column in light}
    return Columns(joined, {column: check.axis() for column, check in checks.items()}, dict(table.units))


def _narrow(values: NDArray[Any]) -> NDArray[Any]:
    """Integers as the narrowest of 16, 32 and 64 bits that holds them; floats as they are."""
    if values.dtype.kind not in "iu":
        return values
    low, high = int(values.min()), int(values.max())
    for kind in (np.int16, np.int32):
        if np.iinfo(kind).min <= low and high <= np.iinfo(kind).max:
            return values.astype(kind, copy=False)
    return values.astype(np.int64, copy=False)


def _keep(values: NDArray[Any], spill: Path) -> NDArray[Any]:
    if values.nbytes <= SPILL_BYTES:
        return values
    import tempfile

    with tempfile.NamedTemporaryFile(dir=spill, suffix=".npy", delete=False) as file:
        np.save(file, values)
    return np.asarray(np.load(file.name, mmap_mode="r", allow_pickle=False))
