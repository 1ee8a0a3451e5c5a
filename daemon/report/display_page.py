"""The page of one display: its conditions, all its runs, and what changed with firmware or hardware revision."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.catalogue.ranking import Standing
from greystep.daemon.compare import judge
from greystep.daemon.compare.words import difference_in_words
from greystep.schema.quantities import QUANTITIES

from . import charts
from .charted import Charted
from .evidence import Sources
from .rounding import figure_text
from .transitions import DURATION

SHOWN = (f"{DURATION}_mean", f"{DURATION}_worst", "overshoot_worst")


def display_page(sources: Sources, dut: str) -> dict[str, Any]:
    """Everything that the template `display.html.j2` needs."""
    runs = sources.catalogue.runs(Filter(dut=(dut,)))
    revisions = {r["run"]: _revision(r["dut_record"]) for r in runs}
    started = {r["run"]: r["started_utc"][:10] for r in runs}
    histories = []
    drawn: Charted | None = None
    for quantity in SHOWN:
        found = _standings(sources, dut, quantity)
        by_condition: dict[str, list[Standing]] = {}
        for s in sorted(found, key=lambda s: s.run):
            by_condition.setdefault(s.condition, []).append(s)
        groups = sorted(by_condition.values(), key=lambda g: g[0].condition_title)
        if quantity == SHOWN[0] and len(runs) > 1:
            drawn = _drawn(groups, revisions, started)
        histories += [_history(quantity, g, revisions, started) for g in groups]
    return {
        "title": runs[0]["title"] if runs else dut,
        "panel": runs[0]["dut_record"].get("panel", "") if runs else "",
        "runs": [
            r
            | {
                "revision": revisions[r["run"]],
                "page": (sources.home.reports / "runs" / r["run"] / "index.html").exists(),
            }
            for r in runs
        ],
        "histories": histories,
        "chart": drawn,
        "several": len(runs) > 1,
        "house": sources.house_method.definition if sources.house_method else None,
    }


def _drawn(groups: Sequence[Sequence[Standing]], revisions: dict[str, str], started: dict[str, str]) -> Charted | None:
    """The mean duration over all runs, oldest first."""
    q = QUANTITIES[SHOWN[0]]
    k = q.display_factor
    names = {run: f"{revisions[run]}, {started[run]}" for run in sorted(revisions)}
    twice = {n for n in names.values() if list(names.values()).count(n) > 1}
    names = {run: f"{name}, {run[-4:]}" if name in twice else name for run, name in names.items()}
    rows = []
    for s in (s for group in groups for s in group):
        if not math.isfinite(s.value):
            continue
        wide = s.expanded_uncertainty if math.isfinite(s.expanded_uncertainty) else 0.0
        rows.append(
            {
                "revision": names[s.run],
                "value": s.value * k,
                "low": (s.value - wide) * k,
                "high": (s.value + wide) * k,
                "condition": s.condition_title,
                "text": figure_text(SHOWN[0], s.value, s.expanded_uncertainty, s.unit, s.bound),
            }
        )
    if not rows:
        return None
    spec = charts.history(rows, f"{q.title}, {q.display_unit or q.unit}", list(names.values()))
    return Charted("history", spec, f"{q.title} with 95 % interval, oldest run first.")


def _standings(sources: Sources, dut: str, quantity: str) -> list[Standing]:
    method = sources.house_method
    if method is None:
        return []
    f = Filter(dut=(dut,), fingerprint=(method.fingerprint,))
    return sources.catalogue.ranking(method.id, quantity, f, all_runs=True)


def _revision(record: dict[str, Any]) -> str:
    parts = [f"firmware {record['firmware']}" if record.get("firmware") else ""]
    parts += [f"hardware {record['hardware_revision']}" if record.get("hardware_revision") else ""]
    return ", ".join(p for p in parts if p) or "not stated"


def _history(quantity: str, group: list[Standing], revisions: dict[str, str], started: dict[str, str]) -> dict[str, Any]:
    lines = []
    for before, s in zip([None, *group], group, strict=False):
        change = difference_in_words(judge(before, s), quantity) if before is not None else ""
        text = figure_text(quantity, s.value, s.expanded_uncertainty, s.unit, s.bound)
        lines.append(
            {
                "run": s.run,
                "date": started.get(s.run, ""),
                "revision": revisions.get(s.run, ""),
                "text": text,
                "change": change,
                "flags": s.flags,
            }
        )
    return {"quantity": QUANTITIES[quantity].title, "condition": group[0].condition_title, "lines": lines}
