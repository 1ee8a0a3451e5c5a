"""Files that are there whole or not at all, also after a power cut.

A hidden temporary file in the same folder is written, read-only from the start, fsynced, hashed again from the disk cache,
renamed, and its folder fsynced. A failed fsync is never repeated on the same file: the kernel may have dropped the pages.
"""

from __future__ import annotations

import errno
import hashlib
import os
import threading
from collections.abc import Sequence
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

from greystep.daemon.failpoints import Failpoints, NoFailpoints
from greystep.schema.errors import ArchiveError, NoRoomError

TEMPORARY_PREFIX = ".part-"


def write_once(path: Path, parts: Sequence[bytes], failpoints: Failpoints | None = None) -> str:
    """Write a new immutable file; returns its SHA-256.

    Raises:
        NoRoomError: the disk is full. Nothing is left behind.
        ArchiveError: the file exists already, or the disk reports an error.
    """
    fail = failpoints or NoFailpoints()
    digest = sha256()
    for part in parts:
        digest.update(part)
    temporary = path.with_name(f"{TEMPORARY_PREFIX}{path.name}")
    try:
        fail.hit("archive.before-write")
        temporary.unlink(missing_ok=True)
        _write(temporary, parts)
        fail.hit("archive.after-write")
        _confirm(temporary, digest.hexdigest())
        fail.hit("archive.after-fsync")
        _rename_new(temporary, path, digest.hexdigest())
        fail.hit("archive.after-rename")
        fsync_folder(path.parent)
        fail.hit("archive.after-folder-fsync")
    except OSError as exc:
        _discard(temporary)
        raise storage_error(exc, path) from exc
    return digest.hexdigest()


def storage_error(exc: OSError, path: Path) -> ArchiveError:
    """The error for the user: a full disk is a matter of waiting, anything else is not."""
    if exc.errno in (errno.ENOSPC, errno.EDQUOT):
        return NoRoomError(
            "the disk is full", where=str(path.parent), todo="make room; the run goes on by itself", retryable=True
        )
    return ArchiveError(f"can't be written: {exc.strerror or exc}", where=str(path), todo="check the disk", retryable=True)


def _write(temporary: Path, parts: Sequence[bytes]) -> None:
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o440)
    try:
        for part in parts:
            view = memoryview(part)
            while view:  # a write may be short without an error
                view = view[os.write(handle, view) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def _confirm(temporary: Path, expected: str) -> None:
    with temporary.open("rb") as stream:
        found = hashlib.file_digest(stream, "sha256").hexdigest()
    if found != expected:
        _discard(temporary)
        raise ArchiveError(
            "what was written is not what was meant", where=str(temporary), todo="check the disk", retryable=True
        )


def _rename_new(temporary: Path, path: Path, digest: str) -> None:
    # A hard link fails when the name exists, which a rename does not; both names then lead to one file until the unlink.
    try:
        os.link(temporary, path)
    except FileExistsError as exc:
        # The same bytes are there when the try before failed behind this step (an fsync of the folder, for example).
        same = _is(path, digest)
        _discard(temporary)
        if not same:
            raise ArchiveError("exists already and is never replaced", where=str(path)) from exc
        return
    except OSError as exc:
        if exc.errno not in (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP):
            raise
        if path.exists():
            raise ArchiveError("exists already and is never replaced", where=str(path)) from exc
        temporary.rename(path)  # file systems without hard links
        return
    temporary.unlink()


def _is(path: Path, digest: str) -> bool:
    if path.is_symlink() or not path.is_file():
        return False
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest() == digest


def _discard(temporary: Path) -> None:
    with suppress(OSError):
        temporary.unlink(missing_ok=True)


def fsync_folder(folder: Path) -> None:
    """Make renames in a folder durable."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folders(folder: Path, root: Path) -> None:
    """Make a folder and the missing ones between it and `root`, each for its owner alone and durable.

    Raises:
        OSError: as the system says.
    """
    root.mkdir(parents=True, mode=0o700, exist_ok=True)
    for step in (*reversed([p for p in folder.parents if root in p.parents]), folder):
        step.mkdir(mode=0o700, exist_ok=True)
        fsync_folder(step.parent)


def append_lines(path: Path, lines: bytes, mode: int) -> None:
    """Add whole lines to a file that only grows, and make them durable. Raises OSError; the same call may be repeated."""
    new = not path.exists()
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, mode)
    try:
        size = os.fstat(handle).st_size
        if size and os.pread(handle, 1, size - 1) != b"\n":
            lines = b"\n" + lines  # a torn last line after a power cut
        while lines:
            lines = lines[os.write(handle, lines) :]
        os.fsync(handle)
    finally:
        os.close(handle)
    if new:
        fsync_folder(path.parent)


def replace_text(path: Path, text: str, *, durable: bool = True, mode: int = 0o600) -> None:
    """Replace a small file of ours (status, journal copy, reason) at once."""
    # Two threads may write one status file at the same moment.
    temporary = path.with_name(f"{TEMPORARY_PREFIX}{os.getpid()}-{threading.get_native_id()}-{path.name}")
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, mode)
    try:
        # File names from elsewhere may hold bytes that are no text: a reason that quotes them must still be written.
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as stream:
            stream.write(text)
            stream.flush()
            if durable:
                os.fsync(stream.fileno())
        temporary.replace(path)
    except OSError:
        _discard(temporary)
        raise
    if durable:
        fsync_folder(path.parent)
