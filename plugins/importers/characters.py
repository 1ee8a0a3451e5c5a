"""A file as a stream of lines: gzip unpacked, encoding found, line ends made equal."""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final

from greystep.schema.errors import ManifestError, Problem

MAX_LINE: Final = 1 << 20
"""Characters; a longer line is no table (and a packed file of one endless line must not fill the memory)."""
_PROBE_BYTES: Final = 1 << 16


@contextmanager
def open_text(path: Path, name: str) -> Iterator[IO[str]]:
    """Open a text file for reading.

    UTF-8 and UTF-16 are recognised by their marks, other text that isn't valid UTF-8 is read as Latin-1, where the micro and
    degree signs of older instruments stand. Bytes that are no text become U+FFFD, which no number holds, so that the place
    can be shown. Raises `ManifestError` when the file can't be read or unpacked, also while it is being read.
    """
    try:
        with path.open("rb") as plain:
            packed = plain.read(2) == b"\x1f\x8b"
            plain.seek(0)
            binary: IO[bytes] = gzip.GzipFile(fileobj=plain) if packed else plain  # type: ignore[assignment]
            probe = binary.read(_PROBE_BYTES)
            binary.seek(0)
            with io.TextIOWrapper(binary, encoding=_encoding(probe), errors="replace", newline=None) as text:
                yield text
    except (gzip.BadGzipFile, EOFError, zlib.error) as exc:
        raise ManifestError([Problem(f"can't be unpacked: {exc}", name)]) from exc
    except OSError as exc:
        raise ManifestError([Problem(f"can't be read: {exc.strerror or exc}", name)]) from exc


def _encoding(probe: bytes) -> str:
    if probe.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    try:
        # A character cut by the end of the probe is no sign of another encoding.
        probe[:-3].decode("utf-8") if len(probe) == _PROBE_BYTES else probe.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8-sig"


def line_blocks(text: IO[str], name: str, first_line: int, block_chars: int) -> Iterator[tuple[int, list[str]]]:
    """Lists of whole lines with the number of their first one.

    Args:
        text: positioned at the start of a line.
        name: for messages.
        first_line: number of that line.
        block_chars: about how many characters a list holds.
    """
    line = first_line
    while True:
        chunk = text.read(block_chars)
        if not chunk:
            return
        if not chunk.endswith("\n"):
            chunk += _rest_of_line(text, name, line + chunk.count("\n"))
        lines = chunk.split("\n")
        if not lines[-1]:
            lines.pop()
        yield line, lines
        line += len(lines)


def _rest_of_line(text: IO[str], name: str, line: int) -> str:
    rest = text.readline(MAX_LINE)
    if len(rest) == MAX_LINE and not rest.endswith("\n"):
        raise ManifestError([Problem(f"a line of more than {MAX_LINE:,} characters: not a table", name, line)])
    return rest
