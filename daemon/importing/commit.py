"""Put all captures of an import into the archive at once, and recognise an import that was done before.

The captures are written by the archive itself, but into a hidden staging folder beside it; one rename of the finished run
folder makes them part of the archive. A crash before the rename leaves nothing that any scan shows.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from greystep.daemon.archive import durable
from greystep.daemon.archive.archive import Archive
from greystep.daemon.failpoints import Failpoints
from greystep.schema.capture import Capture, CaptureHeader
from greystep.schema.errors import ArchiveError

from .captures import DRIVER

STAGING_PREFIX: Final = ".import-"


@contextmanager
def staging(raw: Path, run: str) -> Iterator[Path]:
    """A hidden folder beside the archive's runs, removed on the way out, whatever happened."""
    folder = raw / f"{STAGING_PREFIX}{run}"
    try:
        folder.mkdir(mode=0o700)
    except OSError as exc:
        raise durable.storage_error(exc, folder) from exc
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def sweep(raw: Path) -> int:
    """Remove staging folders that a crash left; only while the import lock is held. Returns how many there were."""
    stale = [p for p in raw.glob(f"{STAGING_PREFIX}*") if p.is_dir() and not p.is_symlink()]
    for folder in stale:
        shutil.rmtree(folder, ignore_errors=True)
    return len(stale)


def commit(raw: Path, stage: Path, captures: Iterable[Capture], failpoints: Failpoints | None = None) -> list[CaptureHeader]:
    """Archive captures of one run, all or none.

    Args:
        raw: the archive's folder.
        stage: from `staging`.
        captures: of one DUT and one run, made one after another.
        failpoints: for tests.

    Raises:
        NoRoomError, ArchiveError: nothing was added to the archive.
    """
    staged = Archive(stage, failpoints)
    headers = [staged.write(capture) for capture in captures]
    meta = headers[0].meta
    target = Archive(raw).root / meta.dut.id / meta.run
    try:
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        durable.fsync_folder(raw)
        if target.exists():
            raise ArchiveError("the run exists already", where=str(target))
        (stage / meta.dut.id / meta.run).rename(target)
        durable.fsync_folder(target.parent)
    except OSError as exc:
        raise durable.storage_error(exc, target) from exc
    return headers


def earlier_import(archive: Archive, dut: str, import_id: str) -> str | None:
    """The run that holds the same import of this DUT; None when there is none."""
    seen: dict[str, str | None] = {}
    for relative in archive.scan():
        folder, run, _ = relative.split("/")
        if folder != dut or run in seen:
            continue
        seen[run] = _import_id(archive, relative)
        if seen[run] == import_id:
            return run
    return None


def _import_id(archive: Archive, relative: str) -> str | None:
    try:
        meta = archive.header(relative).meta
    except ArchiveError:
        return None  # a damaged file is the verifier's business
    found = (r.settings.get("import_id") for r in meta.instruments if r.driver == DRIVER)
    return next((str(i) for i in found if i), None)
