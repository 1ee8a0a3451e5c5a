"""New files of the archive: whole ones go to the analysis, others are waited for, then set aside with a reason."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from greystep.daemon.archive import fixity
from greystep.daemon.archive.archive import Archive
from greystep.daemon.archive.durable import make_folders, replace_text
from greystep.schema.capture import CaptureHeader
from greystep.schema.errors import ArchiveError

PATIENCE_S = 10.0
"""A file that can't be read may still be on its way; after so long without a change it is set aside."""
_LONGEST_NAME = 180

Stamp = tuple[int, int, int, int]
"""Size, times of change, inode: a file whose stamp stays the same is not being written."""


@dataclass
class Intake:
    """Judges each file of the archive once. Used by one thread; no file can make it raise."""

    archive: Archive
    quarantine: Path
    accept: Callable[[CaptureHeader], None]
    log: Callable[..., None] = lambda *_a, **_k: None
    clock: Callable[[], float] = time.monotonic
    known: set[str] = field(default_factory=set)
    """Relative paths that were accepted."""
    unlisted: dict[Path, dict[str, str]] = field(default_factory=dict)
    """Accepted before their line was in the list of checksums: run folder -> name -> SHA-256."""
    doubts: dict[str, tuple[Stamp, float]] = field(default_factory=dict)
    """Files that could not be read: how they looked, and since when."""
    _rest: Iterator[str] | None = None

    def look_at(self, path: Path) -> None:
        """A hint: a path below the archive that may hold a new capture."""
        try:
            relative = path.relative_to(self.archive.root).as_posix()
        except ValueError:
            return
        parts = relative.split("/")
        if len(parts) == 3 and relative.endswith(".h5") and not any(p.startswith(".") for p in parts):
            self.judge(relative)

    def scan(self, limit_s: float | None = None) -> bool:
        """Look at every file that was not accepted yet; goes on where the limit stopped it. Whether it is through."""
        end = None if limit_s is None else self.clock() + limit_s
        if self._rest is None:
            self._rest = iter(list(self.archive.scan()))
        for relative in self._rest:
            self.judge(relative)
            if end is not None and self.clock() >= end:
                return False
        self._rest = None
        self._list_lost()
        return True

    def judge(self, relative: str) -> None:
        """Accept a file, leave it for later, or set it aside."""
        if relative in self.known:
            return
        try:
            path = self.archive.file(relative)
            header = self._read(path, relative)
        except FileNotFoundError:
            self.doubts.pop(relative, None)
        except Exception as exc:  # whatever a hostile file provokes, the service goes on
            self._doubt_safely(relative, exc)
        else:
            self.doubts.pop(relative, None)
            self.known.add(relative)
            self.accept(header)

    def _read(self, path: Path, relative: str) -> CaptureHeader:
        if path.is_symlink() or not path.is_file():
            raise FileNotFoundError(relative)
        if path.name in self.archive.listed(path.parent):
            header = self.archive.header(relative)
            digest = ""
        else:
            # Not listed: ours a moment ago, or copied in from elsewhere and perhaps not complete. It must prove itself.
            digest = fixity.prove(path, relative)
            header = replace(self.archive.header(relative), sha256=digest)
        if self.archive.path_of(header.meta) != relative:
            raise ArchiveError(f"says that it belongs at {self.archive.path_of(header.meta)}", where=relative)
        if digest:
            self.unlisted.setdefault(path.parent, {})[path.name] = digest
        return header

    def _list_lost(self) -> None:
        """The runner lists its own captures at once; a line that is still missing was lost or never written."""
        for folder in list(self.unlisted):
            try:
                self.archive.relist(folder, self.unlisted[folder])
            except FileNotFoundError:
                pass  # taken away again
            except OSError as exc:
                self.log("checksums can't be listed", path=folder.name, error=str(exc), level="warning")
                continue  # kept for the next scan
            del self.unlisted[folder]

    def _doubt_safely(self, relative: str, exc: Exception) -> None:
        reason = str(exc) if isinstance(exc, ArchiveError | OSError) else f"can't be read: {type(exc).__name__}"
        try:
            self._doubt(self.archive.file(relative), relative, reason)
        except FileNotFoundError:
            self.doubts.pop(relative, None)
        except (ArchiveError, OSError) as again:
            self.log("can't be set aside", path=relative, reason=reason, error=str(again), level="warning")

    def _doubt(self, path: Path, relative: str, reason: str) -> None:
        if "schema version" in reason:
            self.log("capture of a newer version left alone", path=relative, reason=reason, level="warning")
            self.known.add(relative)
            return
        status = path.lstat()
        stamp = (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)
        seen, since = self.doubts.get(relative, (None, 0.0))
        if seen != stamp:
            # Times of the file itself don't tell: a sync tool may set an old one while it is still writing.
            self.doubts[relative] = (stamp, self.clock())
            return
        if self.clock() - since < PATIENCE_S:
            return
        self._set_aside(path, relative, reason)

    def _set_aside(self, path: Path, relative: str, reason: str) -> None:
        dut, run, name = relative.split("/")
        target = self.quarantine / dut / run / name[-_LONGEST_NAME:]
        number = 0
        while os.path.lexists(target) or os.path.lexists(target.with_name(target.name + ".reason.txt")):
            number += 1
            target = target.with_name(f"{number}-{name[-_LONGEST_NAME:]}")
        make_folders(target.parent, self.quarantine)
        replace_text(target.with_name(target.name + ".reason.txt"), reason + "\n")
        path.rename(target)
        del self.doubts[relative]
        self.log("set aside", path=relative, reason=reason, level="warning")
