"""The fixity manifest of a run folder: `SHA256SUMS`, in the form that `sha256sum --check` reads.

It only ever grows. A line may be missing after a power cut; the file then proves itself by its header block and the line is
added again.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Mapping
from pathlib import Path

from .durable import append_lines

NAME = "SHA256SUMS"
_MOST_BYTES = 64 << 20


def read(folder: Path) -> dict[str, str]:
    """File name -> SHA-256 of the run folder; the last line of a name counts, torn lines are passed over."""
    try:
        # A link, device or FIFO of this name is none of ours, and opening it might wait for ever.
        handle = os.open(folder / NAME, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as exc:
        if exc.errno in (errno.ENOENT, errno.ELOOP, errno.ENXIO, errno.ENOTDIR):
            return {}
        raise
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        return {}
    with os.fdopen(handle, "rb") as stream:
        text = stream.read(_MOST_BYTES).decode("utf-8", "replace")
    out = {}
    for line in text.splitlines():
        digest, _, name = line.partition("  ")
        if len(digest) == 64 and name:
            out[name] = digest
    return out


def append(folder: Path, name: str, sha256: str) -> None:
    """Add a line and make it durable."""
    append_all(folder, {name: sha256})


def append_all(folder: Path, digests: Mapping[str, str]) -> None:
    """Add lines (file name -> SHA-256) and make them durable. Raises OSError."""
    lines = "".join(f"{sha256}  {name}\n" for name, sha256 in digests.items())
    append_lines(folder / NAME, lines.encode("utf-8", "surrogateescape"), 0o640)
