"""Measurements as CSV or JSON, one after another: any number of them in little memory."""

from __future__ import annotations

import csv
import json
import math
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO


def write(rows: Iterable[tuple[Any, ...]], form: str, output: Path | None) -> int:
    """Write rows in the order of the catalogue's `ROW`. Returns how many.

    Args:
        rows: plain values; `flags` is one text with spaces between.
        form: csv or json.
        output: new or replaced file, complete or not at all; None: standard output.

    Raises:
        GreystepError: the file can't be written.
    """
    with _stream(output) as stream:
        return _csv(rows, stream) if form == "csv" else _json(rows, stream)


def _csv(rows: Iterable[tuple[Any, ...]], stream: TextIO) -> int:
    from greystep.daemon.catalogue.query import ROW

    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(ROW)
    count = 0
    for count, row in enumerate(rows, 1):  # noqa: B007 - the number of the last row is the result
        writer.writerow(row)
    return count


def _json(rows: Iterable[tuple[Any, ...]], stream: TextIO) -> int:
    from greystep.daemon.catalogue.query import ROW

    count = 0
    stream.write("[")
    for row in rows:
        # Degrees of freedom may be infinite, which JSON has no number for.
        made = {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in zip(ROW, row, strict=True)}
        made["flags"] = str(made["flags"]).split()
        stream.write(",\n" if count else "\n")
        stream.write(json.dumps(made, ensure_ascii=False, allow_nan=False))
        count += 1
    stream.write("\n]\n")
    return count


@contextmanager
def _stream(output: Path | None) -> Iterator[TextIO]:
    if output is None:
        yield sys.stdout
        return
    from greystep.schema.errors import GreystepError

    part = output.with_name(f".{output.name}.{os.getpid()}")
    try:
        with part.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        part.replace(output)
    except OSError as exc:
        raise GreystepError(f"can't be written: {exc.strerror or exc}", where=str(output), todo="choose another place") from exc
    finally:
        part.unlink(missing_ok=True)
