"""Make a bundle: one run as a folder (or zip) that stands for itself, described as RO-Crate 1.1."""

from __future__ import annotations

import os
import shutil
import zipfile
from hashlib import file_digest
from pathlib import Path
from typing import Any, Final

from greystep.daemon.archive import sums
from greystep.daemon.archive.fixity import verify
from greystep.daemon.home import Home
from greystep.daemon.report.evidence import RunEvidence, Sources, gather_run, open_sources
from greystep.schema.errors import ArchiveError, GreystepError

from .contents import write_contents

LICENCE: Final = "https://spdx.org/licenses/CC-BY-4.0"
RAW: Final = "raw"
SUMS: Final = "SHA256SUMS"
_TYPES: Final = {
    ".h5": "application/x-hdf5",
    ".csv": "text/csv",
    ".json": "application/json",
    ".parquet": "application/vnd.apache.parquet",
    ".svg": "image/svg+xml",
    ".toml": "application/toml",
    ".md": "text/markdown",
    ".cff": "application/yaml",
}


def bundle_run(home: Home, run: str, target: Path, *, licence: str = LICENCE) -> Path:
    """Write a bundle of a run.

    Args:
        home: the home folder.
        run: name of the run.
        target: folder to make, which must not be there yet; a name that ends in `.zip` makes one file.
        licence: address of the licence that the data are published under.

    Returns:
        The folder or file.

    Raises:
        GreystepError: the run is unknown, has no readable capture, a raw file is damaged, or the target can't be written.
    """
    if target.exists():
        raise GreystepError("is there already", where=str(target), todo="choose another name")
    part = target.with_name(f".part-{os.getpid()}-{target.stem}")
    try:
        with open_sources(home.require()) as sources:
            evidence = gather_run(sources, run)
            if not evidence.groups:
                raise GreystepError(f"the run {run!r} has no readable capture")
            part.mkdir(parents=True)
            _fill(sources, home, evidence, part, licence)
        if target.suffix == ".zip":
            _pack(part, target)
        else:
            part.rename(target)
    except OSError as exc:
        raise GreystepError(f"the bundle can't be written: {exc.strerror or exc}", where=str(target)) from exc
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return target


def _fill(sources: Sources, home: Home, run: RunEvidence, folder: Path, licence: str) -> None:
    from importlib.metadata import version

    _copy_raw(sources, run, folder)
    write_contents(sources, home, run, folder, version("greystep"))
    digests = {p.relative_to(folder).as_posix(): _sha256(p) for p in sorted(folder.rglob("*")) if p.is_file()}
    lines = "".join(f"{digest}  {name}\n" for name, digest in digests.items())
    (folder / SUMS).write_text(lines, encoding="utf-8")
    _describe(run, folder, {**digests, SUMS: _sha256(folder / SUMS)}, licence, version("greystep"))


def _copy_raw(sources: Sources, run: RunEvidence, folder: Path) -> None:
    """Copy every capture, each proved before and after: a bundle never spreads a damaged file."""
    listed: dict[str, str] = {}
    for group in run.groups:
        for capture in group.captures:
            source = sources.archive.file(capture.path)
            verdict = verify(source, capture.path, sources.archive.listed_sha256(capture.path))
            if not verdict.ok:
                todo = "'greystep archive verify' tells more; restore the file first"
                raise ArchiveError(verdict.problem, where=capture.path, todo=todo)
            copy = folder / RAW / capture.path
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, copy)
            if _sha256(copy) != capture.sha256:
                raise ArchiveError("the copy is not what was copied", where=str(copy), todo="check the disk")
            listed[copy.name] = capture.sha256
    place = folder / RAW / run.dut / run.run
    (place / sums.NAME).write_text("".join(f"{d}  {n}\n" for n, d in sorted(listed.items())), encoding="utf-8")


def _describe(run: RunEvidence, folder: Path, digests: dict[str, str], licence: str, version: str) -> None:
    """Write `ro-crate-metadata.json`."""
    from rocrate.model.contextentity import ContextEntity
    from rocrate.rocrate import ROCrate

    meta = run.groups[0].meta
    crate: Any = ROCrate(version="1.1")
    crate.name = f"Response measurement of {run.title}"
    conditions = "; ".join(g.title for g in run.groups)
    crate.description = f"Raw light traces and figures with uncertainty of {run.title} ({conditions}), run {run.run}."
    crate.license = licence
    crate.datePublished = run.started_utc
    if meta.operator:
        who = crate.add(ContextEntity(crate, "#operator", properties={"@type": "Organization", "name": meta.operator}))
        crate.creator = who
    software = {"@type": "SoftwareApplication", "name": "greystep", "version": version}
    tool = crate.add(ContextEntity(crate, "#greystep", properties=software))
    for name, digest in digests.items():
        path = folder / name
        properties = {
            "sha256": digest,
            "contentSize": str(path.stat().st_size),
            "encodingFormat": _TYPES.get(path.suffix, "text/plain"),
        }
        entity = crate.add_file(path, name, properties=properties)
        if name.startswith(("measurements", "figures/")):
            entity["wasGeneratedBy"] = tool
    crate.metadata.write(folder)


def _pack(folder: Path, target: Path) -> None:
    part = target.with_name(f".part-{os.getpid()}-{target.name}")
    try:
        with zipfile.ZipFile(part, "x", zipfile.ZIP_DEFLATED) as made:
            for path in sorted(folder.rglob("*")):
                if path.is_file():
                    # Raw captures are packed already.
                    kind = zipfile.ZIP_STORED if path.suffix == ".h5" else zipfile.ZIP_DEFLATED
                    made.write(path, path.relative_to(folder).as_posix(), kind)
        part.rename(target)
    finally:
        part.unlink(missing_ok=True)


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return file_digest(stream, "sha256").hexdigest()
