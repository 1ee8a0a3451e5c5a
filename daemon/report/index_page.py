"""The page of the archive: every display and condition in order of the house figure, and all runs."""

from __future__ import annotations

from typing import Any

from greystep.daemon.catalogue.entries import Filter

from .evidence import Sources
from .rounding import figure_text
from .transitions import DURATION

RANKED = f"{DURATION}_mean"


def index_page(sources: Sources) -> dict[str, Any]:
    """Everything that the template `index.html.j2` needs."""
    runs = sources.catalogue.runs()
    panels = {d["dut"]: d["panel"] for d in sources.catalogue.duts()}
    method = sources.house_method
    found = []
    if method is not None:
        found = sources.catalogue.ranking(method.id, RANKED, Filter(fingerprint=(method.fingerprint,)))
    lines = [
        {
            "dut": s.dut,
            "title": s.title,
            "panel": panels.get(s.dut, ""),
            "condition": s.condition_title,
            "text": figure_text(RANKED, s.value, s.expanded_uncertainty, s.unit, s.bound),
            "sort": s.value if s.value == s.value else None,
            "run": s.run,
            "flags": s.flags,
            "page": (sources.home.reports / "runs" / s.run / "index.html").exists(),
        }
        for s in found
    ]
    return {
        "lines": lines,
        "runs": [r | {"page": (sources.home.reports / "runs" / r["run"] / "index.html").exists()} for r in runs],
        "displays": sources.catalogue.duts(),
        "house": method.definition if method else None,
        "fingerprint": method.fingerprint if method else "",
    }
