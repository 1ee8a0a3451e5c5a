"""Dialect files and instruments that can be found, told in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from greystep.schema.roles import DialectInfo, FoundResource

from .dialects import load_dialects


def list_dialects(extra: Sequence[Path] = ()) -> list[DialectInfo]:
    """All dialects by name, the built-in ones and those of `extra`."""
    return [
        DialectInfo(
            name,
            entry.path,
            entry.dialect.roles() if entry.dialect else (),
            entry.dialect.summary if entry.dialect else "",
            entry.problems,
        )
        for name, entry in sorted(load_dialects(extra).items())
    ]


def find_resources() -> list[FoundResource]:
    """Instruments that VISA sees from here, and what keeps others from being seen."""
    from greystep.plugins.visa.finding import find

    return find()
