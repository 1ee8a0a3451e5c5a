"""The page of comparisons: a ranking for every condition that several displays were measured under, and a mixed one, marked."""

from __future__ import annotations

from typing import Any

from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.catalogue.ranking import Standing
from greystep.daemon.compare import Comparison, rank
from greystep.daemon.compare.question import unlike_parts
from greystep.schema.figure import flags_of

from . import charts
from .charted import Charted
from .evidence import Sources
from .rounding import interval_text, quantity_of, shown_unit
from .transitions import DURATION

RANKED = f"{DURATION}_mean"
_MOST = 60


def compare_page(sources: Sources) -> dict[str, Any]:
    """Everything that the template `compare.html.j2` needs."""
    method = sources.house_method
    found: list[Standing] = []
    if method is not None:
        found = sources.catalogue.ranking(method.id, RANKED, Filter(fingerprint=(method.fingerprint,)))
    by_condition: dict[str, list[Standing]] = {}
    for s in found:
        by_condition.setdefault(s.condition, []).append(s)
    alike = [
        _section(f"alike-{i}", group[0].condition_title, rank(group, sources.house, RANKED))
        for i, group in enumerate(sorted(by_condition.values(), key=lambda g: (-len(g), g[0].condition_title)), 1)
        if len(group) > 1
    ]
    best = _best_of_each(found)
    mixed = None
    if len(best) > 1 and (unlike := unlike_parts(best)):
        mixed = _section("mixed", "Every display at its best", rank(best, sources.house, RANKED, unlike))
    sections = [*alike, *([mixed] if mixed else [])]
    return {
        "alike": alike,
        "mixed": mixed,
        "charts": [s["chart"] for s in sections],
        "house": method.definition if method else None,
        "fingerprint": method.fingerprint if method else "",
        "pages": {s.run for s in found if (sources.home.reports / "runs" / s.run / "index.html").exists()},
        "rule": Comparison("", "", ()).rule,
        "title": quantity_of(RANKED).title,
    }


def _best_of_each(found: list[Standing]) -> list[Standing]:
    """The fastest condition of each display, marked as mixed; a value before a bound, which ranks nobody surely."""
    from dataclasses import replace

    best: dict[str, Standing] = {}
    for s in sorted(found, key=lambda s: (s.value != s.value, bool(s.bound), s.value)):
        best.setdefault(s.dut, replace(s, flags=flags_of(s.flags, ("mixed",))))
    return list(best.values())


def _section(id_: str, title: str, comparison: Comparison) -> dict[str, Any]:
    q = quantity_of(RANKED)
    k = q.display_factor
    lines, rows = [], []
    for p in comparison.places[:_MOST]:
        s = p.standing
        text = interval_text(s.value * k, s.expanded_uncertainty * k, shown_unit(q), s.bound)
        shown = "" if p.rank is None else f"{p.rank}{'=' if p.shared else ''}"
        lines.append({"rank": shown, "standing": s, "text": text, "words": p.words, "verdict": p.against_first})
        if s.value == s.value:
            wide = s.expanded_uncertainty * k if s.expanded_uncertainty == s.expanded_uncertainty else 0.0
            name = f"{shown}  {s.title}" + (f", {s.condition_title}" if comparison.mixed else "")
            value = s.value * k
            rows.append(
                {
                    "display": name,
                    "value": value,
                    "low": value - wide,
                    "high": value + wide,
                    "rank": shown,
                    "text": text,
                }
            )
    caption = f"{q.title} with 95 % interval, {title[:1].lower()}{title[1:]}."
    chart = Charted(id_, charts.ranking_chart(rows, f"{q.title}, {shown_unit(q)}"), caption)
    return {"id": id_, "title": title, "lines": lines, "mixed": comparison.mixed, "chart": chart}
