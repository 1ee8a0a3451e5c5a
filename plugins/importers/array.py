"""Reader of NumPy arrays (`.npy`): one column, `[sample, column]`, or a structured array with named fields."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
from greystep.schema.errors import ManifestError, Problem
from greystep.schema.table import Block, Table
from numpy.typing import NDArray

BLOCK_ROWS: Final = 1 << 20


def read_array(path: Path, columns: tuple[str, ...], name: str) -> Table:
    """Open an array file without reading it into memory. Columns are called by number from "1", or by field name.

    Objects are refused: they would run code. See `greystep.schema.table` for the contract.
    """
    try:
        array = np.load(path, mmap_mode="r", allow_pickle=False)
    except OSError as exc:
        raise ManifestError([Problem(f"can't be read: {exc.strerror or exc}", name)]) from exc
    except Exception as exc:  # the header of a damaged file fails in more ways than numpy documents
        raise ManifestError([Problem(f"not a NumPy array file of plain numbers: {_first_line(exc)}", name)]) from exc
    if not isinstance(array, np.ndarray):
        raise ManifestError([Problem("not a single NumPy array", name)])
    views, problems = {}, []
    for column in columns:
        view = _column(array, column)
        if isinstance(view, str):
            problems.append(Problem(view, name, column=column))
        else:
            views[column] = view
    if problems:
        raise ManifestError(problems)
    return Table(_blocks(views))


def _first_line(exc: Exception) -> str:
    return (str(exc).splitlines() or [type(exc).__name__])[0][:200]


def _column(array: NDArray[Any], column: str) -> NDArray[Any] | str:
    """The column, or what is wrong."""
    if array.dtype.names:
        if column not in array.dtype.names or array.ndim != 1:
            return f"no such column; the fields are {', '.join(array.dtype.names)}"
        view = array[column]
    elif array.ndim in (1, 2):
        count = 1 if array.ndim == 1 else array.shape[1]
        if not column.isdecimal() or not 1 <= int(column) <= count:
            return f'no such column; the array has {count} ([sample, column]), called "1" to "{count}"'
        view = array if array.ndim == 1 else array[:, int(column) - 1]
    else:
        return f"an array of {array.ndim} dimensions; one or two ([sample, column]) can be read"
    if view.ndim != 1 or view.dtype.kind not in "iuf":
        return f"values of type {view.dtype}; integers or floats can be read"
    return view


def _blocks(views: dict[str, NDArray[Any]]) -> Iterator[Block]:
    rows = len(next(iter(views.values())))
    for start in range(0, rows, BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS, rows)
        yield Block({column: _native(view[start:stop]) for column, view in views.items()})


def _native(view: NDArray[Any]) -> NDArray[Any]:
    """A copy in memory, in the machine's byte order; half and extended floats as doubles, unsigned as the next signed."""
    kind, size = view.dtype.kind, view.dtype.itemsize
    if kind == "f":
        return np.array(view, dtype=np.float32 if size == 4 else np.float64)
    if kind == "u":
        return np.array(view, dtype={1: np.int16, 2: np.int32}.get(size, np.int64)) if size < 8 else _unsigned(view)
    return np.array(view, dtype=view.dtype.newbyteorder("="))


def _unsigned(view: NDArray[Any]) -> NDArray[Any]:
    top = view.max(initial=0)
    return np.array(view, dtype=np.int64 if top <= np.iinfo(np.int64).max else np.float64)
