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
    """Further data, of which a reader may choose: written once beside the specification."""
    shown: str = ""
    """Which of `datasets["subjects"]` the specification shows at first; empty: there is no choice."""

    @property
    def topic(self) -> str:
        """Id of the topic under which it stands on the page; the picture's own name where there is none."""
        return next((t for t in ("moving-edge", "flicker", "delay", "power", "warm-up") if self.id.startswith(t)), self.id)
