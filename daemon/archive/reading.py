"""Small reads of archived captures for the runner."""

from __future__ import annotations

from collections.abc import Iterator

from greystep.schema.capture import Channel
from greystep.schema.errors import ArchiveError

from .archive import Archive, captures_in


def archived_light(archive: Archive, dut: str, run: str) -> Iterator[tuple[int, Channel]]:
    """Level and light channel of the steady captures of a run that are in the archive; unreadable ones are passed over."""
    for name in captures_in(archive.root / dut / run):
        if "-steady-" not in name:
            continue
        try:
            capture = archive.read(f"{dut}/{run}/{name}")
        except ArchiveError:
            continue
        yield int(capture.to_level[0]), capture.channels["light"]
