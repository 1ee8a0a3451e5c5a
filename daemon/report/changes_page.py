"""The page of what a changed method did: every display before and after, and the transitions that moved most."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from greystep.daemon.analysis.difference import Difference, Moved

from .evidence import Sources
from .rounding import figure_text, quantity_of


def changes_page(sources: Sources, made: Difference) -> dict[str, Any]:
    """Everything that the template `changes.html.j2` needs."""
    titles = [quantity_of(d.quantity, d.unit).title for d in made.displays[:1]]
    return {
        "made": made,
        "title": titles[0] if titles else "",
        "displays": [
            {
                "display": d,
                "old": figure_text(d.quantity, d.old, math.nan, d.unit),
                "new": figure_text(d.quantity, d.new, math.nan, d.unit),
                "change": figure_text(d.quantity, d.change, d.expanded_uncertainty, d.unit),
                "moved": [_moved(m) for m in d.moved if _has_moved(m)],
            }
            for d in made.displays
        ],
        "pages": {d.run for d in made.displays if (sources.home.reports / "runs" / d.run / "index.html").exists()},
    }


def _has_moved(m: Moved) -> bool:
    """Whether there is something to show: another value, or one where there was none."""
    return math.isfinite(m.old) != math.isfinite(m.new) or (math.isfinite(m.change) and m.change != 0)


def _moved(m: Moved) -> dict[str, Any]:
    levels = "" if m.to_level is None else f"{m.to_level}" if m.from_level is None else f"{m.from_level} to {m.to_level}"
    return {
        "levels": levels,
        "quantity": quantity_of(m.quantity, m.unit).title,
        "old": figure_text(m.quantity, m.old, math.nan, m.unit),
        "new": figure_text(m.quantity, m.new, math.nan, m.unit),
        "change": figure_text(m.quantity, m.change, m.expanded_uncertainty, m.unit),
        "why": ", ".join(m.why),
    }


def place_of(reports: Path, made: Difference) -> Path:
    """Where the page of two fingerprints stands."""
    return reports / "changes" / f"{made.old[:12]}-{made.new[:12]}.html"
