"""Which raw files went into a result: a set of SHA-256, with a digest that doesn't depend on order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256


@dataclass(frozen=True)
class Inputs:
    """A set of raw files by their SHA-256."""

    hashes: tuple[str, ...] = ()
    """64 hexadecimal digits each, sorted, no doubles."""
    complete: bool = True
    """Whether every planned file was there; a result made without some of them is not the one made with all."""

    @classmethod
    def of(cls, hashes: Iterable[str], *, complete: bool = True) -> Inputs:
        """The set of these files."""
        return cls(tuple(sorted(set(hashes))), complete)

    @cached_property
    def digest(self) -> bytes:
        """16 bytes that stand for the set."""
        return sha256(self.packed + (b"" if self.complete else b"incomplete")).digest()[:16]

    @cached_property
    def packed(self) -> bytes:
        """32 bytes a file, one after another."""
        return b"".join(bytes.fromhex(h) for h in self.hashes)

    @classmethod
    def unpack(cls, packed: bytes) -> Inputs:
        """The files of `packed`."""
        return cls(tuple(packed[i : i + 32].hex() for i in range(0, len(packed), 32)))
