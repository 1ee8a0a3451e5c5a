"""Prove that a file is what was archived, and say where it is damaged when it is not."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import file_digest, sha256
from pathlib import Path

from greystep.schema.errors import ArchiveError
from greystep.schema.layout import HEADER_BYTES

from . import header as header_block

_PIECE_BYTES = 4 << 20


@dataclass(frozen=True)
class Verdict:
    """Result for one file."""

    path: str
    ok: bool
    problem: str = ""
    """What is wrong, with the region or segment where that can be told."""


def verify(path: Path, relative: str, listed: str | None) -> Verdict:
    """Check one capture against its listed SHA-256, its own header, and the checksum of every chunk.

    Args:
        listed: SHA-256 from the run's list; None when the list has no line for it.
    """
    try:
        with path.open("rb") as stream:
            digest = file_digest(stream, "sha256").hexdigest()
    except OSError as exc:
        return Verdict(relative, False, f"can't be read: {exc.strerror}")
    if listed == digest:
        return Verdict(relative, True)
    try:
        prove(path, relative)
    except ArchiveError as exc:
        return Verdict(relative, False, f"{exc.what}{_where(path, relative)}")
    if listed is None:
        return Verdict(relative, True, "was not in the list of checksums; it proves itself")
    return Verdict(
        relative, False, "differs from the list of checksums, though it agrees with itself: replaced or list damaged"
    )


def prove(path: Path, relative: str) -> str:
    """SHA-256 of the file, after its header block and image agreed with each other.

    Raises:
        ArchiveError: when they don't.
    """
    with path.open("rb") as stream:
        block = stream.read(HEADER_BYTES)
        header_block.unpack(block, relative)
        _, _, told = header_block.outline(block, relative)
        if any(block[block.index(b"\n") + 1 :]):
            raise ArchiveError("the padding of the header block is damaged", where=relative)
        # Piece by piece: a file of any size may lie here, and it is not known yet to be ours.
        whole, image = sha256(block), sha256()
        while piece := stream.read(_PIECE_BYTES):
            whole.update(piece)
            image.update(piece)
    if image.hexdigest() != told:
        raise ArchiveError("the samples or their description are damaged", where=relative)
    return whole.hexdigest()


def _where(path: Path, relative: str) -> str:
    """The segment whose chunk fails, as far as HDF5 lets us see. Damaged bytes are read in a process of their own."""
    from .apart import first_trouble

    return f" ({first_trouble(path, relative) or 'in a part that no sample depends on'})"
