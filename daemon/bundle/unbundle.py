"""Take a bundle in: its captures become a run of this home, all or none, each proved before it is believed.

A bundle comes from elsewhere. Only `raw/DUT/RUN/*.h5` is read, links are refused, every file must agree with the bundle's own
list of checksums and with itself, and its place in the archive is worked out from what it says of itself, not from its path.
"""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from greystep.daemon.analysis.methods import load_method, load_methods, method_files
from greystep.daemon.archive import durable, fixity, sums
from greystep.daemon.archive.archive import Archive
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.importing import commit
from greystep.schema.errors import ArchiveError, GreystepError, MethodError
from greystep.schema.layout import SUFFIX

from .bundle import RAW, SUMS
from .contents import METHODS

METADATA: Final = "ro-crate-metadata.json"
_MOST_BYTES: Final = 200 << 30


@dataclass(frozen=True)
class Unbundled:
    """What came of it."""

    dut: str
    run: str
    captures: int
    """0 when the run was there already."""
    methods: tuple[str, ...] = ()
    """Ids of house methods that came with the bundle and were added to this home."""
    remarks: tuple[str, ...] = ()
    """Methods that this home has under the same id but with another fingerprint."""

    @property
    def already(self) -> bool:
        """Whether nothing was written."""
        return self.captures == 0


def is_bundle(path: Path) -> bool:
    """Whether this is a bundle: a folder, or a zip file, with RO-Crate metadata."""
    if path.is_dir():
        return (path / METADATA).is_file()
    if not zipfile.is_zipfile(path):
        return False
    with zipfile.ZipFile(path) as packed:
        return METADATA in packed.namelist()


def import_bundle(path: Path, home: Home) -> Unbundled:
    """Import a bundle. The caller holds the home's import lock.

    Raises:
        GreystepError: no bundle, a file is damaged, changed or missing, or the run is there with other content. Nothing was
            imported.
    """
    if not is_bundle(path):
        raise GreystepError("not a bundle", where=str(path), todo="give a folder or zip file made by 'greystep archive bundle'")
    with _unpacked(path) as folder:
        files = _captures(folder)
        dut, run = _place(folder, files)
        known = home.raw / dut / run
        if known.exists():
            _require_same(known, files)
            return Unbundled(dut, run, 0)
        _take_in(home.raw, dut, run, files)
        added, remarks = _methods(folder, home)
    return Unbundled(dut, run, len(files), tuple(added), tuple(remarks))


@contextmanager
def _unpacked(path: Path) -> Iterator[Path]:
    if path.is_dir():
        yield path
        return
    with TemporaryDirectory(prefix="greystep-bundle-") as place, zipfile.ZipFile(path) as packed:
        if sum(i.file_size for i in packed.infolist()) > _MOST_BYTES:
            raise GreystepError("too large when unpacked", where=str(path))
        try:
            packed.extractall(place)  # the standard library keeps names inside the folder
        except (OSError, zipfile.BadZipFile) as exc:
            raise GreystepError(f"can't be unpacked: {exc}", where=str(path)) from exc
        yield Path(place)


def _captures(folder: Path) -> dict[str, Path]:
    """File name -> path of every capture, each as the bundle's list of checksums says."""
    listed = sums.read(folder)
    named = {n: d for n, d in listed.items() if n.startswith(f"{RAW}/") and n.endswith(SUFFIX)}
    found = [p for p in sorted((folder / RAW).glob(f"*/*/*{SUFFIX}")) if p.is_file()]
    if not named or not found:
        raise GreystepError("the bundle lists no captures", where=str(folder / SUMS))
    names = {p.relative_to(folder).as_posix(): p for p in found}
    missing = sorted(set(named) - set(names))
    if missing:
        raise ArchiveError("is listed but not there", where=missing[0], todo="get the bundle again")
    out = {}
    for name, path in names.items():
        if path.is_symlink() or not path.resolve().is_relative_to(folder.resolve()):
            raise ArchiveError("a link, which is not followed", where=name)
        if fixity.prove(path, name) != named.get(name):
            raise ArchiveError("differs from the bundle's list of checksums", where=name, todo="get the bundle again")
        out[path.name] = path
    if len(out) != len(names):
        raise GreystepError("the bundle holds captures of several runs", where=str(folder), todo="import them one by one")
    return out


def _place(folder: Path, files: dict[str, Path]) -> tuple[str, str]:
    """DUT and run, as all captures say of themselves."""
    archive = Archive(folder / RAW)
    places = set()
    for path in files.values():
        relative = path.relative_to(folder / RAW).as_posix()
        told = archive.path_of(archive.header(relative).meta)
        if told != relative:
            raise ArchiveError(f"says that it is {told}", where=relative, todo="don't rename captures")
        places.add(tuple(relative.split("/")[:2]))
    (place,) = places
    return place[0], place[1]


def _require_same(known: Path, files: dict[str, Path]) -> None:
    have = sums.read(known)
    other = [n for n, p in files.items() if have.get(n) != fixity.prove(p, n)]
    if other:
        raise ArchiveError("the run is there already, with other content", where=str(known / other[0]))


def _take_in(raw: Path, dut: str, run: str, files: dict[str, Path]) -> None:
    """Copy into a hidden folder, prove the copies, and let them appear by one rename."""
    commit.sweep(raw)
    with commit.staging(raw, run) as stage:
        folder = stage / run
        folder.mkdir(mode=0o700)
        for name, path in files.items():
            copy = folder / name
            shutil.copyfile(path, copy)
            copy.chmod(0o440)
            sums.append(folder, name, fixity.prove(copy, name))
        target = raw / dut / run
        try:
            target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            folder.rename(target)
            durable.fsync_folder(target.parent)
        except OSError as exc:
            raise durable.storage_error(exc, target) from exc


def _methods(folder: Path, home: Home) -> tuple[list[str], list[str]]:
    """Add house methods that this home lacks; say which ones differ."""
    host = PluginHost.load()
    known = load_methods(method_files(host.method_files, home.root), host.estimators, host.preparers).methods
    added, remarks = [], []
    for path in sorted((folder / METHODS).glob("*.toml")):
        try:
            method = load_method(path, host.estimators, host.preparers)
        except MethodError as exc:
            remarks.append(f"method {path.stem} can't be used here: {exc.problems[0]}")
            continue
        have = known.get(method.id)
        if have is None:
            home.methods.mkdir(mode=0o700, exist_ok=True)
            durable.replace_text(home.methods / f"{method.id}.toml", path.read_text(encoding="utf-8"))
            added.append(method.id)
        elif have.fingerprint != method.fingerprint:
            remarks.append(f"method {method.id} is another one here: {have.fingerprint[:12]}, bundle {method.fingerprint[:12]}")
    return added, remarks
