"""The files that a manifest names: inside its folder only, regular, and proved unchanged while they are read."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Final

from greystep.schema.errors import ManifestError, Problem
from greystep.schema.table import TableReader

HDF5_ENDINGS: Final = (".h5", ".hdf5", ".hdf", ".he5", ".nxs")
MAX_FILE_BYTES: Final = 1 << 40


@dataclass(frozen=True)
class Source:
    """One file as it was when it was hashed."""

    name: str
    """As the manifest names it."""
    path: Path
    sha256: str
    stamp: tuple[int, int]
    """(modification time in ns, size)."""

    def unchanged(self) -> bool:
        """Whether the file is still the one that was hashed, as far as its time and size tell."""
        try:
            stat = self.path.stat()
        except OSError:
            return False
        return self.stamp == (stat.st_mtime_ns, stat.st_size)


def locate(folder: Path, name: str) -> Path | str:
    """The file that a manifest in `folder` names, or what is wrong with it."""
    parts = PurePosixPath(name.replace("\\", "/")).parts
    if "\0" in name or PurePosixPath(name).is_absolute() or PureWindowsPath(name).drive or ".." in parts:
        return "leads outside the manifest's folder; put the file beside the manifest"
    try:
        path = folder / name
        if not path.exists():
            return f"no such file{_near(folder, name)}"
        if not path.resolve().is_relative_to(folder.resolve()):
            return "a link that leads outside the manifest's folder; put the file itself beside the manifest"
        if not path.is_file():
            return "not a regular file"
        size = path.stat().st_size
    except (OSError, ValueError, RuntimeError) as exc:
        return f"can't be read: {getattr(exc, 'strerror', None) or exc}"
    if size > MAX_FILE_BYTES:
        return f"larger than {MAX_FILE_BYTES >> 30} GiB"
    return path if size else "the file is empty"


def _near(folder: Path, name: str) -> str:
    from difflib import get_close_matches

    try:
        names = [p.name for p in (folder / name).parent.iterdir()][:1000]
    except OSError:
        return ""
    near = get_close_matches(Path(name).name, names, 1)
    return f"; did you mean {near[0]!r}?" if near else ""


def fingerprint(path: Path, name: str) -> Source:
    """Hash a file. Raises ManifestError when it can't be read."""
    try:
        with path.open("rb") as stream:
            stat = os.fstat(stream.fileno())
            digest = file_digest(stream, "sha256").hexdigest()
    except OSError as exc:
        raise ManifestError([Problem(f"can't be read: {exc.strerror}", name)]) from exc
    return Source(name, path, digest, (stat.st_mtime_ns, stat.st_size))


def reader_for(name: str, readers: Mapping[str, TableReader]) -> TableReader | None:
    """The reader with the longest ending that fits, None for HDF5. Raises ManifestError when there is none."""
    lower = name.lower()
    if lower.endswith(HDF5_ENDINGS):
        return None
    fitting = [ending for ending in readers if lower.endswith(ending)]
    if not fitting:
        known = ", ".join(sorted({*readers, *HDF5_ENDINGS}))
        raise ManifestError([Problem(f"no reader for this kind of file; known endings: {known}", name)])
    return readers[max(fitting, key=len)]
