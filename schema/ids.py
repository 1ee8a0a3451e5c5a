"""Identifiers that sort by time, and names that are safe as folder names."""

from __future__ import annotations

import hashlib
import re
import threading
import unicodedata
from typing import Final

_RESERVED: Final = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"com{i}" for i in range(10)),
    *(f"lpt{i}" for i in range(10)),
}
_MAX_SLUG: Final = 48


class IdSource:
    """Makes ULIDs that never go backwards within this process, also when the wall clock does."""

    def __init__(self) -> None:
        self._last_ms = 0
        self._tail = 0
        self._lock = threading.Lock()  # the spool and the runner ask from threads of their own

    def new(self, now_s: float | None = None) -> str:
        """A new lower-case ULID (26 characters, sorts by time).

        Args:
            now_s: seconds since the epoch; the wall clock when not given.
        """
        import os
        import time

        from ulid import ULID

        now_ms = int((time.time() if now_s is None else now_s) * 1000)
        with self._lock:
            if now_ms <= self._last_ms:
                now_ms, self._tail = self._last_ms, self._tail + 1
            else:
                # 79 random bits leave room to count up within one millisecond.
                self._last_ms, self._tail = now_ms, int.from_bytes(os.urandom(10), "big") >> 1
            tail = self._tail
        return str(ULID.from_bytes(now_ms.to_bytes(6, "big") + tail.to_bytes(10, "big"))).lower()


def slug(text: str, *, fallback: str = "unnamed") -> str:
    """A short name of `a-z 0-9 -` made from any text: no separators, dots, control or right-to-left marks.

    Different texts may give the same slug; add `short_hash` where they must differ.
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    plain = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_MAX_SLUG].strip("-")
    return fallback if not plain or plain in _RESERVED else plain


def short_hash(*parts: str, digits: int = 6) -> str:
    """The first hexadecimal digits of the SHA-256 of the parts (each with its length, so that borders count)."""
    digest = hashlib.sha256()
    for part in parts:
        data = part.encode("utf-8", "surrogatepass")
        digest.update(len(data).to_bytes(8, "big") + data)
    return digest.hexdigest()[:digits]
