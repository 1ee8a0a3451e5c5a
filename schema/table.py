"""Tables recorded elsewhere, as an importer's reader gives them: named columns of numbers, block by block.

A reader is a function of (path, wanted columns, name of the file for messages). It opens the file, finds the columns, and
returns a `Table` whose blocks are read while they are iterated, so that a file of any length needs bounded memory. It raises
`ManifestError` with every problem that it found, each with file, line and column; never another exception for a bad file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Block:
    """Consecutive rows of a table."""

    values: Mapping[str, NDArray[Any]]
    """Column -> [row]; integers where the file has integers, else floats. Never masked; NaN where the file says so."""
    first_line: int | None = None
    """Line (from 1) of the first row; None where the file has no lines."""
    lines: NDArray[np.int64] | None = None
    """[row] lines, where they aren't simply consecutive."""

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(next(iter(self.values.values()))) if self.values else 0

    def line(self, row: int) -> int | None:
        """Line of a row; None where the file has no lines."""
        if self.lines is not None:
            return int(self.lines[row])
        return None if self.first_line is None else self.first_line + row


@dataclass(frozen=True)
class Table:
    """Columns of a file, opened."""

    blocks: Iterator[Block]
    """Read while iterated, once."""
    units: Mapping[str, str] = field(default_factory=dict)
    """Column -> unit as the file writes it; no entry where it doesn't say."""
    header_line: int | None = None
    """Line of the column names; None where there are none."""


TableReader = Callable[[Path, tuple[str, ...], str], Table]
"""(path, wanted columns, name for messages) -> table."""
