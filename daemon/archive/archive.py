"""The archive folder: write a capture once, find and read captures."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from hashlib import file_digest, sha256
from pathlib import Path

from greystep.daemon.failpoints import Failpoints, NoFailpoints
from greystep.schema.capture import Capture, CaptureHeader, CaptureMeta
from greystep.schema.errors import ArchiveError
from greystep.schema.layout import HEADER_BYTES, SUFFIX

from . import header as header_block
from . import sums
from .durable import TEMPORARY_PREFIX, make_folders, storage_error, write_once


@dataclass(frozen=True)
class Packed:
    """A capture as it will lie on disk."""

    meta: CaptureMeta
    block: bytes
    """The header block."""
    body: bytes
    """The HDF5 image."""


class Archive:
    """Raw captures under `root`, as `DUT/RUN/KEY.h5`."""

    def __init__(self, root: Path, failpoints: Failpoints | None = None) -> None:
        self.root = root
        self._fail = failpoints or NoFailpoints()
        self._made: set[Path] = set()
        self._sums: dict[Path, tuple[tuple[int, int], dict[str, str]]] = {}

    def path_of(self, meta: CaptureMeta) -> str:
        """Path of a capture relative to the archive."""
        return f"{meta.dut.id}/{meta.run}/{meta.key}{SUFFIX}"

    def run_folder(self, dut: str, run: str) -> Path:
        """Folder of a run's captures, made when missing."""
        folder = self.root / dut / run
        if folder not in self._made:
            # Also when it is there: a crash may have come between making it and making it durable.
            try:
                make_folders(folder, self.root)
            except OSError as exc:
                raise storage_error(exc, folder) from exc
            self._made = {folder}
        return folder

    def write(self, capture: Capture) -> CaptureHeader:
        """Archive a capture: after this returns it is never lost or changed.

        Raises:
            NoRoomError: the disk is full; nothing was written.
            ArchiveError: another capture of this name exists already, or the disk failed. Writing the same one again is
                no error: a try that failed late is repeated.
        """
        return self.store(self.pack(capture))

    def pack(self, capture: Capture) -> Packed:
        """The bytes of a capture's file, made in memory; nothing is written. Raises ArchiveError when it can't be one."""
        from . import image  # h5py is loaded with the first capture, not with the command line

        body = image.build(capture)
        return Packed(capture.meta, header_block.pack(capture, sha256(body).hexdigest()), body)

    def store(self, packed: Packed) -> CaptureHeader:
        """Make a packed capture durable. Raises as `write` does; may be repeated after an error."""
        meta, block, body = packed.meta, packed.block, packed.body
        folder = self.run_folder(meta.dut.id, meta.run)
        path = folder / f"{meta.key}{SUFFIX}"
        digest = write_once(path, (block, body), self._fail)
        try:
            sums.append(folder, path.name, digest)
        except OSError as exc:
            raise storage_error(exc, folder / sums.NAME) from exc
        self._fail.hit("archive.after-sums")
        relative = self.path_of(meta)
        made = header_block.unpack(block, relative, len(block) + len(body))
        if made is None:
            return self.header(relative)
        return replace(made, sha256=digest)

    def read(self, relative: str, channels: Collection[str] | None = None) -> Capture:
        """A whole capture, or only some of its channels, with its SHA-256 as listed when it was archived.

        Raises:
            ArchiveError: see `reader.read`.
        """
        from . import reader

        path = self.file(relative)
        return replace(reader.read(path, relative, channels), sha256=self.listed_sha256(relative), path=relative)

    def header(self, relative: str) -> CaptureHeader:
        """What the catalogue needs, from the header block alone.

        Raises:
            ArchiveError: not a capture, damaged, newer, or gone.
        """
        path = self.file(relative)
        try:
            with path.open("rb", buffering=0) as stream:
                block = stream.read(HEADER_BYTES)
                size = os.fstat(stream.fileno()).st_size
        except OSError as exc:
            raise ArchiveError(f"can't be read: {exc.strerror}", where=relative) from exc
        made = header_block.unpack(block, relative, size)
        if made is None:
            made = self._long_header(path, relative, block, size)
        return replace(made, sha256=self.listed_sha256(relative))

    def _long_header(self, path: Path, relative: str, block: bytes, size: int) -> CaptureHeader:
        from .apart import read_meta

        meta, segments, samples = read_meta(path, relative)
        low, high, image = header_block.outline(block)
        return CaptureHeader(meta, segments, samples, low, high, image, relative, "", size)

    def listed_sha256(self, relative: str) -> str:
        """SHA-256 from the run's list; computed from the file and listed again when the line was lost."""
        path = self.file(relative)
        listed = self.listed(path.parent).get(path.name)
        if listed is not None:
            return listed
        with path.open("rb") as stream:
            return file_digest(stream, "sha256").hexdigest()

    def listed(self, folder: Path) -> dict[str, str]:
        """File name -> SHA-256 as the run folder's list has it; read again when the list has changed. Raises OSError."""
        try:
            status = (folder / sums.NAME).stat()
            stamp = (status.st_mtime_ns, status.st_size)
        except FileNotFoundError:
            stamp = (0, 0)
        cached = self._sums.get(folder)
        if cached is None or cached[0] != stamp:
            cached = (stamp, sums.read(folder))
            if len(self._sums) > 1000:
                self._sums.clear()
            self._sums[folder] = cached
        return cached[1]

    def relist(self, folder: Path, digests: Mapping[str, str]) -> int:
        """Add the lines of files that proved themselves and whose lines were lost; how many. Raises OSError."""
        have = sums.read(folder)
        lost = {name: digest for name, digest in digests.items() if name not in have}
        if lost:
            sums.append_all(folder, lost)
        return len(lost)

    def file(self, relative: str) -> Path:
        """Absolute path of a capture. Raises ArchiveError when the name leads outside the archive."""
        parts = relative.split("/")
        if len(parts) != 3 or any(p in ("", ".", "..") or p.startswith(".") or "\0" in p for p in parts):
            raise ArchiveError("not the name of a capture", where=relative)
        return self.root.joinpath(*parts)

    def scan(self) -> Iterator[str]:
        """Relative paths of all captures, in order of DUT, run, key. Hidden names and links are passed over."""
        for dut in _folders(self.root):
            for run in _folders(dut):
                yield from (f"{dut.name}/{run.name}/{name}" for name in captures_in(run))

    def sweep(self, folder: Path) -> int:
        """Remove temporary files that a crash left in a run folder; only the owner of the home may call it."""
        stale = list(folder.glob(f"{TEMPORARY_PREFIX}*")) if folder.is_dir() else []
        for path in stale:
            path.unlink(missing_ok=True)
        return len(stale)


def _folders(parent: Path) -> list[Path]:
    try:
        with os.scandir(parent) as entries:
            names = sorted(e.name for e in entries if not e.name.startswith(".") and e.is_dir(follow_symlinks=False))
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return []
    return [parent / name for name in names]


def captures_in(run: Path) -> list[str]:
    """Names of the capture files in a run folder, sorted."""
    try:
        with os.scandir(run) as entries:
            return sorted(
                e.name
                for e in entries
                if e.name.endswith(SUFFIX) and not e.name.startswith(".") and e.is_file(follow_symlinks=False)
            )
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return []
