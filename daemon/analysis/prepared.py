"""Prepared traces on disk: a change of thresholds costs no raw read. Disposable, bounded, never believed when damaged."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from . import packing

SUFFIX: Final = ".prepared"
_LEAST_FREE: Final = 1 << 30
"""Room that is left for the raw archive, in bytes."""
_TRIM_EACH: Final = 256 << 20
"""Bytes that a process writes between two looks at the limit."""


class PreparedCache:
    """Files under `root`, named by the preparation's fingerprint and the raw files that went in."""

    def __init__(self, root: Path, limit_bytes: int = 20 << 30) -> None:
        self.root = root
        self.limit_bytes = limit_bytes
        self._written = 0

    def place(self, preparation: str, what: str, hashes: Iterable[str]) -> Path:
        """Where the context (or the subjects) that these raw files give under this preparation are kept."""
        digest = sha256("\n".join((what, *hashes)).encode()).hexdigest()
        return self.root / preparation[:16] / digest[:2] / f"{digest}{SUFFIX}"

    def get(self, place: Path) -> list[Any] | None:
        """What was put there; None when there is nothing, or nothing whole."""
        try:
            return packing.unpack(place.read_bytes())
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def put(self, place: Path, items: Sequence[Any]) -> bool:
        """Keep; a full disk or an object without a place in the file is no error. Returns whether it was kept."""
        try:
            parts = packing.pack(items)
            self._write(place, parts)
        except (OSError, TypeError):
            return False
        self._written += sum(len(p) for p in parts)
        if self._written > min(_TRIM_EACH, self.limit_bytes // 8):
            self._written = 0
            self.trim()
        return True

    def _write(self, place: Path, parts: Sequence[bytes | memoryview]) -> None:
        place.parent.mkdir(parents=True, mode=0o700, exist_ok=True)
        if shutil.disk_usage(place.parent).free < _LEAST_FREE:
            return
        part = place.with_name(f".{place.name}.{os.getpid()}")
        try:
            with part.open("wb") as stream:
                stream.writelines(parts)
            # No fsync: the checksum inside tells a file that a power cut has torn.
            part.rename(place)
        except OSError:
            with contextlib.suppress(OSError):
                part.unlink()
            raise

    def trim(self) -> int:
        """Remove the files that were made first until the rest is below the limit. Returns the bytes that remain."""
        found = []
        for path in self.root.glob(f"*/*/*{SUFFIX}"):
            with contextlib.suppress(OSError):
                stat = path.stat()
                found.append((stat.st_mtime_ns, stat.st_size, path))
        total = sum(size for _, size, _ in found)
        if total > self.limit_bytes:
            # A tenth below the limit, so that not every new file calls for the next trim.
            for _, size, path in sorted(found):
                if total <= 0.9 * self.limit_bytes:
                    break
                with contextlib.suppress(OSError):
                    path.unlink()
                    total -= size
        return total
