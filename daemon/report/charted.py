"""A chart on a page: its specification beside the words that say what it shows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Charted:
    """One figure of a page."""

    id: str
    """Unique on the page; also the name of the exported picture."""
    spec: dict[str, Any]
    caption: str
    datasets: dict[str, Any] = field(default_factory=dict)
