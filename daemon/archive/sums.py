"""The fixity manifest of a run folder: `SHA256SUMS`, in the form that `sha256sum --check` reads.

It only ever grows. A line may be missing after a power cut; the file then proves itself by its header block and the line is
added again.
"""

from __future__ import annotations

import os
from pathlib import Path

from .durable import fsync_folder

NAME = "SHA256SUMS"


def read(folder: Path) -> dict[str, str]:
    """File name -> SHA-256 of the run folder; the last line of a name counts, torn lines are passed over."""
    try:
        text = (folder / NAME).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return {}
    out = {}
    for line in text.splitlines():
        digest, _, name = line.partition("  ")
        if len(digest) == 64 and name:
            out[name] = digest
    return out


def append(folder: Path, name: str, sha256: str) -> None:
    """Add a line and make it durable."""
    path = folder / NAME
    new = not path.exists()
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o640)
    try:
        line = f"{sha256}  {name}\n".encode()
        size = os.fstat(handle).st_size
        if size and os.pread(handle, 1, size - 1) != b"\n":
            line = b"\n" + line  # a torn last line after a power cut
        while line:
            line = line[os.write(handle, line) :]
        os.fsync(handle)
    finally:
        os.close(handle)
    if new:
        fsync_folder(folder)
