"""Open any of the files that can be imported as a table of columns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from greystep.schema.errors import ManifestError, Problem
from greystep.schema.table import Block, Table, TableReader

from .sources import reader_for

_ROWS: Final = 1 << 20


@contextmanager
def open_table(path: Path, columns: tuple[str, ...], name: str, readers: Mapping[str, TableReader]) -> Iterator[Table]:
    """The wanted columns of a file. The table lives as long as the context.

    Raises:
        ManifestError: every problem found, also while the blocks are iterated.
    """
    reader = reader_for(name, readers)
    if reader is not None:
        try:
            yield reader(path, columns, name)
        except ManifestError:
            raise
        except Exception as exc:  # a reader may come from an outside plugin: its failure is the file's problem, with a name
            what = f"the reader failed: {type(exc).__name__}: {exc}".splitlines()[0][:300]
            raise ManifestError([Problem(what, name)]) from exc
        return
    from greystep.daemon.archive.foreign import read_datasets

    with read_datasets(path, columns) as datasets:
        problems = [Problem(d.problem, name, column=d.name) for d in datasets if d.problem]
        if problems:
            raise ManifestError(problems)
        arrays = {d.name: d.values for d in datasets if d.values is not None}
        lengths = {len(a) for a in arrays.values()}
        if len(lengths) > 1:
            told = ", ".join(f"{column} {len(a)}" for column, a in arrays.items())
            raise ManifestError([Problem(f"datasets of different length: {told}", name)])
        rows = lengths.pop()
        blocks = (Block({c: a[i : i + _ROWS] for c, a in arrays.items()}) for i in range(0, rows, _ROWS))
        yield Table(blocks, {d.name: d.unit for d in datasets if d.unit})
