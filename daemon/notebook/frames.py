"""Tables for a notebook, in the library that its reader works with. Measurements go to polars through Arrow."""

from __future__ import annotations

from typing import Any, Final, Literal, get_args

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.schema.errors import GreystepError

Library = Literal["pandas", "polars", "arrow"]
_EXTRA: Final = {"pandas": "notebook", "polars": "polars", "pyarrow": "parquet"}


def known_library(name: str) -> Library:
    """The name, when it is one. Raises GreystepError."""
    for known in get_args(Library):
        if name == known:
            return known  # type: ignore[no-any-return]
    raise GreystepError(f"no tables of the library {name!r}", todo=f"choose one of {', '.join(get_args(Library))}")


def frame_of(rows: list[dict[str, Any]], library: Library) -> Any:
    """A table of rows: `pandas.DataFrame`, `polars.DataFrame` or `pyarrow.Table`. Raises GreystepError: it is not installed."""
    if library == "arrow":
        return _module("pyarrow").Table.from_pylist(rows)
    if library == "polars":
        return _module("polars").DataFrame(rows, infer_schema_length=None)
    return _module("pandas").DataFrame(rows)


def measurements_frame(catalogue: Catalogue, f: Filter, library: Library) -> Any:
    """Measurements as a table, a row each, in SI units. Raises GreystepError: the library is not installed."""
    if library == "pandas":
        columns = catalogue.columns(f)
        columns["flags"] = [text.split() for text in columns["flags"]]
        return _module("pandas").DataFrame(columns)
    from greystep.daemon.catalogue.export import arrow_table

    table = arrow_table(catalogue, f)
    return table if library == "arrow" else _module("polars").from_arrow(table)


def _module(name: str) -> Any:
    from importlib import import_module

    try:
        return import_module(name)
    except ImportError as exc:
        raise GreystepError(f"such tables need the package {name}", todo=f"pip install 'greystep[{_EXTRA[name]}]'") from exc
