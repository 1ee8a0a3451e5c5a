"""Any set of measurements as a Parquet file, in bounded memory. pyarrow is imported when it is needed (extra `parquet`)."""

from __future__ import annotations

import os
from collections.abc import Iterable
from itertools import islice
from pathlib import Path
from typing import Any, Final

from greystep.schema.errors import CatalogueError

from .catalogue import Catalogue
from .entries import Filter
from .query import ROW

_LOT: Final = 100_000
_KINDS: Final = {
    "refresh_rate_hz": "float64",
    "from_level": "int32",
    "to_level": "int32",
    "value": "float64",
    "u": "float64",
    "dof": "float64",
    "expanded_uncertainty": "float64",
    "repeats": "int32",
}
"""Columns that are no texts."""
_REPEATED: Final = {"dut", "run", "group", "condition", "overdrive", "method", "fingerprint", "quantity", "unit", "bound"}
"""Texts that come again and again, kept as a dictionary."""


def write_parquet(catalogue: Catalogue, path: Path, f: Filter | None = None) -> int:
    """Write measurements to a new file, complete or not at all. Returns the number of rows.

    Raises:
        CatalogueError: pyarrow is missing, the file can't be written, or the catalogue can't be read.
    """
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError as exc:
        raise CatalogueError("Parquet needs the package pyarrow", todo="pip install 'greystep[parquet]'") from exc
    schema = _schema(arrow)
    part = path.with_name(f".{path.name}.{os.getpid()}")
    rows = 0
    try:
        with parquet.ParquetWriter(part, schema, compression="zstd") as writer:
            found = catalogue.each_row(f or Filter())
            while lot := list(islice(found, _LOT)):
                writer.write_table(_table(arrow, schema, lot))
                rows += len(lot)
        part.replace(path)
    except OSError as exc:
        raise CatalogueError(f"can't be written: {exc.strerror or exc}", where=str(path)) from exc
    finally:
        part.unlink(missing_ok=True)
    return rows


def arrow_table(catalogue: Catalogue, f: Filter | None = None) -> Any:
    """Measurements as a `pyarrow.Table`, with the types of the Parquet files. Raises CatalogueError: pyarrow is missing."""
    try:
        import pyarrow as arrow
    except ImportError as exc:
        raise CatalogueError("Arrow tables need the package pyarrow", todo="pip install 'greystep[parquet]'") from exc
    schema = _schema(arrow)
    rows = list(catalogue.each_row(f or Filter()))
    return _table(arrow, schema, rows) if rows else schema.empty_table()


def has_parquet() -> bool:
    """Whether Parquet files can be written here."""
    from importlib.util import find_spec

    return find_spec("pyarrow") is not None


def _schema(arrow: Any) -> Any:
    return arrow.schema([(name, _type(arrow, name)) for name in ROW])


def _type(arrow: Any, name: str) -> Any:
    if name == "flags":
        return arrow.list_(arrow.string())
    if name in _REPEATED:
        return arrow.dictionary(arrow.int32(), arrow.string())
    return arrow.type_for_alias(_KINDS.get(name, "string"))


def _table(arrow: Any, schema: Any, rows: Iterable[tuple[Any, ...]]) -> Any:
    columns = dict(zip(ROW, map(list, zip(*rows, strict=True)), strict=True))
    columns["flags"] = [f.split() for f in columns["flags"]]
    return arrow.table({name: arrow.array(columns[name], type=schema.field(name).type) for name in ROW}, schema=schema)
