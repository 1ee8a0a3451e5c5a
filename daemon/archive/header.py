"""The header block in front of the HDF5 image: one line of JSON, read without HDF5."""

from __future__ import annotations

import json
import re
from hashlib import sha256
from typing import Any

from greystep.schema.capture import Capture, CaptureHeader, CaptureMeta
from greystep.schema.errors import ArchiveError
from greystep.schema.layout import HEADER_BYTES, HEADER_MAGIC, MAX_SAMPLES, MAX_SEGMENTS, SCHEMA_VERSION
from pydantic import ValidationError

_MOST_LEVEL = 2**31 - 1
_LONG_FIELDS = ("instruments", "readings", "sources", "notes")
"""Left out of the header when the whole would not fit; they stand in the image in any case."""


def pack(capture: Capture, image_sha256: str) -> bytes:
    """The header block of a capture, `HEADER_BYTES` long."""
    meta = capture.meta.model_dump(mode="json")
    record: dict[str, Any] = {
        "image_sha256": image_sha256,
        "segments": capture.segments,
        "samples": capture.samples,
        "from_level": int(min(capture.from_level.min(), capture.to_level.min())) if capture.segments else 0,
        "to_level": int(max(capture.from_level.max(), capture.to_level.max())) if capture.segments else 0,
        "meta": meta,
    }
    for field in ("", *_LONG_FIELDS, "condition", "dut", "sensor"):
        if field:
            record["meta"] = {k: v for k, v in record["meta"].items() if k != field}
            record["cut"] = True
        body = json.dumps(record, separators=(",", ":"), ensure_ascii=False).encode()
        line = HEADER_MAGIC + sha256(body).hexdigest().encode() + b" " + body + b"\n"
        if len(line) <= HEADER_BYTES:
            return line + bytes(HEADER_BYTES - len(line))
    raise ArchiveError("the capture's metadata is too long", where=capture.meta.key, todo="shorten names and notes")


def unpack(block: bytes, path: str, size_bytes: int = 0) -> CaptureHeader | None:
    """Read a header block; None when its metadata was cut and must be read from the image.

    Raises:
        ArchiveError: when it is not a greystep capture, damaged, or of a newer version.
    """
    if not block.startswith(b"greystep-capture "):
        raise ArchiveError("not a greystep capture", where=path, todo="move it out of the archive")
    if not block.startswith(HEADER_MAGIC):
        version = block[17:40].split(b" ")[0].decode("ascii", "replace")
        raise ArchiveError(
            f"capture of schema version {version}, this greystep reads up to {SCHEMA_VERSION}",
            where=path,
            todo="update greystep",
        )
    line, newline, _ = block.partition(b"\n")
    digest, _, body = line[len(HEADER_MAGIC) :].partition(b" ")
    if not newline or sha256(body).hexdigest().encode() != digest:
        raise ArchiveError("the header block is damaged", where=path, todo="restore it from a second copy")
    record = _record(body, path)
    if record.get("cut"):
        return None
    try:
        meta = CaptureMeta.model_validate(record["meta"])
    except ValidationError as exc:
        raise ArchiveError(f"the metadata is not as it should be: {exc.errors()[0]['msg']}", where=path) from exc
    return CaptureHeader(
        meta=meta,
        segments=record["segments"],
        samples=record["samples"],
        from_level=record["from_level"],
        to_level=record["to_level"],
        image_sha256=record["image_sha256"],
        path=path,
        size_bytes=size_bytes,
    )


def outline(block: bytes, path: str = "") -> tuple[int, int, str]:
    """Lowest and highest level and the image's SHA-256, also from a cut header (checked before by `unpack`)."""
    line = block.partition(b"\n")[0]
    record = _record(line[len(HEADER_MAGIC) :].partition(b" ")[2], path)
    return record["from_level"], record["to_level"], record["image_sha256"]


def _record(body: bytes, path: str) -> dict[str, Any]:
    """The header's JSON. Its checksum is right, but anybody can compute a checksum: types and sizes are looked at too."""
    try:
        record = json.loads(body)
    except (ValueError, RecursionError) as exc:
        raise ArchiveError("the header block is not JSON", where=path) from exc
    numbers = {"segments": MAX_SEGMENTS, "samples": MAX_SAMPLES, "from_level": _MOST_LEVEL, "to_level": _MOST_LEVEL}
    if (
        not isinstance(record, dict)
        or not isinstance(record.get("meta"), dict)
        or any(type(record.get(n)) is not int or not 0 <= record[n] <= most for n, most in numbers.items())
        or not re.fullmatch(r"[0-9a-f]{64}", str(record.get("image_sha256")))
    ):
        raise ArchiveError("the header block is not as it should be", where=path)
    return record
