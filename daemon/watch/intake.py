"""New files of the archive: whole ones go to the analysis, others are waited for, then set aside with a reason."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from greystep.daemon.archive import fixity, sums
from greystep.daemon.archive.archive import Archive
from greystep.daemon.archive.durable import replace_text
from greystep.schema.capture import CaptureHeader
from greystep.schema.errors import ArchiveError

PATIENCE_S = 10.0
"""A file that can't be read may still be on its way; after so long without a change it is set aside."""


@dataclass
class Intake:
    """Judges each file of the archive once. Used by one thread."""

    archive: Archive
    quarantine: Path
    accept: Callable[[CaptureHeader], None]
    log: Callable[..., None] = lambda *_a, **_k: None
    now: Callable[[], float] = time.time
    known: set[str] = field(default_factory=set)
    """Relative paths that were accepted."""
    unlisted: set[str] = field(default_factory=set)
    """Accepted before their line was in the list of checksums."""

    def look_at(self, path: Path) -> None:
        """A hint: a path below the archive that may hold a new capture."""
        try:
            relative = path.relative_to(self.archive.root).as_posix()
        except ValueError:
            return
        if relative.count("/") == 2 and relative.endswith(".h5"):
            self.judge(relative)

    def scan(self) -> int:
        """Look at every file that was not accepted yet; how many were accepted now."""
        before = len(self.known)
        for relative in list(self.archive.scan()):
            self.judge(relative)
        for relative in sorted(self.unlisted):
            # The runner lists its own captures at once; a line that is still missing was lost or never written.
            self.archive.relist(relative)
        self.unlisted.clear()
        return len(self.known) - before

    def judge(self, relative: str) -> None:
        """Accept a file, leave it for later, or set it aside."""
        if relative in self.known:
            return
        path = self.archive.file(relative)
        try:
            header = self._read(path, relative)
        except FileNotFoundError:
            return
        except (ArchiveError, OSError) as exc:
            self._doubt(path, relative, str(exc))
            return
        self.known.add(relative)
        self.accept(header)

    def _read(self, path: Path, relative: str) -> CaptureHeader:
        if not path.is_file() or path.is_symlink():
            raise FileNotFoundError(relative)
        if path.name in sums.read(path.parent):
            header = self.archive.header(relative)
        else:
            # Not listed: ours a moment ago, or copied in from elsewhere and perhaps not complete. It must prove itself.
            digest = fixity.prove(path, relative)
            header = replace(self.archive.header(relative), sha256=digest)
            self.unlisted.add(relative)
        if self.archive.path_of(header.meta) != relative:
            raise ArchiveError(f"says that it belongs at {self.archive.path_of(header.meta)}", where=relative)
        return header

    def _doubt(self, path: Path, relative: str, reason: str) -> None:
        try:
            age = self.now() - path.stat().st_mtime
        except FileNotFoundError:
            return
        if age < PATIENCE_S or "schema version" in reason:
            if "schema version" in reason:
                self.log("capture of a newer version left alone", path=relative, reason=reason, level="warning")
                self.known.add(relative)
            return
        target = self.quarantine / relative
        if os.path.lexists(target):
            target = target.with_name(f"{target.name}.{int(self.now() * 1000)}")
        target.parent.mkdir(parents=True, mode=0o700, exist_ok=True)
        replace_text(target.with_name(target.name + ".reason.txt"), reason + "\n")
        path.rename(target)
        self.log("set aside", path=relative, reason=reason, level="warning")
