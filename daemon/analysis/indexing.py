"""Raw files into the catalogue: the way a catalogue is rebuilt, and the way a scan finds what the watcher missed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.database import set_aside
from greystep.schema.capture import CaptureHeader
from greystep.schema.errors import CatalogueError, GreystepError

_LOT = 2000
"""Captures a transaction."""


class Folder(Protocol):
    """What indexing needs of the archive."""

    def scan(self) -> Iterator[str]:
        """Relative paths of all captures."""

    def header(self, relative: str) -> CaptureHeader:
        """What the catalogue needs. Raises ArchiveError."""


@dataclass
class Indexed:
    """What was found."""

    new: int = 0
    known: int = 0
    problems: list[str] = field(default_factory=list)
    """Files that were passed over, and why."""


def index(
    archive: Folder, catalogue: Catalogue, progress: Callable[[int], None] = lambda _: None, *, trust_paths: bool = False
) -> Indexed:
    """Add every capture of the archive that the catalogue doesn't know. Files that can't be read are named and passed over.

    Args:
        archive: the raw captures; only their header blocks are read.
        catalogue: a writer.
        progress: told the number of files seen, now and then.
        trust_paths: pass over paths that the catalogue knows without reading them: for a quick look for new ones.
    """
    found = Indexed()
    known = catalogue.known_paths() if trust_paths else set()
    lot: list[CaptureHeader] = []
    for seen, path in enumerate(archive.scan(), 1):
        if path in known:
            found.known += 1
        else:
            try:
                lot.append(archive.header(path))
            except GreystepError as exc:
                found.problems.append(str(exc))
        if len(lot) >= _LOT:
            _add(catalogue, lot, found)
            progress(seen)
    _add(catalogue, lot, found)
    return found


def _add(catalogue: Catalogue, lot: list[CaptureHeader], found: Indexed) -> None:
    try:
        new = catalogue.add_captures(lot)
        found.new += new
        found.known += len(lot) - new
    except CatalogueError as exc:
        if exc.retryable or len(lot) == 1:
            if exc.retryable:
                raise
            found.problems.append(str(exc))
        else:
            for header in lot[:]:
                _add(catalogue, [header], found)
    lot.clear()


def rebuild(archive: Folder, path: Path, progress: Callable[[int], None] = lambda _: None) -> Indexed:
    """Build the catalogue anew from the raw files alone. The old one is set aside; measurements come with `recompute`.

    Raises:
        CatalogueError: the folder can't be written.
    """
    set_aside(path)
    with Catalogue(path, write=True) as catalogue:
        return index(archive, catalogue, progress)
