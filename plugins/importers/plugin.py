"""Registers the readers by file name ending."""

from __future__ import annotations

from collections.abc import Mapping

from greystep.schema.hooks import hookimpl
from greystep.schema.table import TableReader

from .array import read_array
from .text import read_text

TEXT_ENDINGS = (".csv", ".tsv", ".txt", ".dat", ".asc")


@hookimpl
def greystep_importers() -> Mapping[str, TableReader]:
    """Delimited text by its usual endings, also with `.gz`, and `.npy`."""
    text = {ending + packed: read_text for ending in TEXT_ENDINGS for packed in ("", ".gz")}
    return {**text, ".npy": read_array}
