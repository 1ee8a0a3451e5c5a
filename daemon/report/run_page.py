"""The page of a run, as data for its template."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from greystep.daemon.catalogue.export import has_parquet
from greystep.schema.quantities import QUANTITIES

from . import charts
from .budgets import Budget, make_budgets
from .cautions import make_cautions
from .charted import Charted
from .evidence import GroupEvidence, RunEvidence, Sources, Stated
from .matrix import Matrix, make_matrix, scale_of
from .pictures import make_pictures
from .provenance import instruments_of, methods_in_words
from .topics import Line, line_of, make_topics
from .transitions import DURATION, SeenGroup, see_group

MATRICES: Final = (DURATION, "overshoot", "completion")
GLANCE: Final = (
    f"{DURATION}_mean",
    f"{DURATION}_worst",
    "overshoot_worst",
    "within_refresh",
    "supported_refresh_rate",
    "blur_edge_time_mean",
    "delay_50",
    "power",
)


@dataclass(frozen=True)
class ConditionPart:
    """One condition on the page."""

    group: GroupEvidence
    matrices: tuple[Matrix, ...]
    seen: SeenGroup
    budgets: tuple[Budget, ...]
    curve: Charted | None
    instruments: list[dict[str, str]]
    period_text: str


def run_page(sources: Sources, run: RunEvidence) -> dict[str, Any]:
    """Everything that the template `run.html.j2` needs."""
    parts = [_condition(sources, run, g) for g in run.groups]
    words = methods_in_words(sources, run)
    house = next((w for w in words if w.id == sources.house), None)
    drawn = [c for c in (_distribution(sources, run), _side_by_side(sources, run)) if c is not None]
    drawn += make_pictures(sources, run)
    meta = run.groups[0].meta if run.groups else None
    return {
        "run": run,
        "meta": meta,
        "glance": _glance(sources, run.groups),
        "house": house,
        "parts": parts,
        "viewer": _viewer(parts),
        "charts": {c.id: c for c in drawn},
        "disagreement": _disagreement(sources, run),
        "topics": make_topics(sources, run.groups),
        "cautions": make_cautions(run),
        "methods": words,
        "quantities": QUANTITIES,
        "parquet": has_parquet(),
    }


def _condition(sources: Sources, run: RunEvidence, group: GroupEvidence) -> ConditionPart:
    matrices = []
    for quantity in MATRICES:
        figures = [s for _, s in group.each(sources.house, quantity)]
        if figures:
            everywhere = [s for g in run.groups for _, s in g.each(sources.house, quantity)]
            mean = group.whole(sources.house, f"{quantity}_mean")
            matrices.append(make_matrix(quantity, figures, scale_of(everywhere), mean))
    period_ms = 1e3 / group.meta.condition.refresh_rate_hz
    seen = see_group(sources, group)
    return ConditionPart(
        group,
        tuple(matrices),
        seen,
        tuple(make_budgets(group, sources.house)),
        _curve(group, seen),
        instruments_of(group),
        f"{period_ms:.4g} ms",
    )


def _glance(sources: Sources, groups: Sequence[GroupEvidence]) -> list[tuple[str, str, list[Line | None]]]:
    """Key figures: title, meaning, a line for each condition; the house method first."""
    order = [sources.house, *(m for m in sources.methods.methods if m != sources.house)]
    out = []
    for quantity in GLANCE:
        lines: list[Line | None] = []
        for group in groups:
            found = next(((m, s) for m in order if (s := group.whole(m, quantity)) is not None), None)
            lines.append(line_of(group, found[1], found[0]) if found else None)
        if any(lines):
            q = QUANTITIES[quantity]
            out.append((q.title, q.meaning, lines))
    return out


def _viewer(parts: Sequence[ConditionPart]) -> Charted | None:
    groups: list[dict[str, Any]] = [
        {"title": p.group.title, "unit": p.seen.unit, "transitions": [t.record for t in p.seen.transitions]}
        for p in parts
        if p.seen.transitions
    ]
    if not groups:
        return None
    methods = list(dict.fromkeys(m["method"] for g in groups for t in g["transitions"] for m in t["marks"]))
    caption = (
        "Mean of the repeats as a line, all repeats as a band; where backlight ripple was removed, the wider pale band is the "
        "trace before. Dashed: reference levels of the house method. Drag to move, Ctrl and wheel to zoom, double-click to see "
        "it whole."
    )
    return Charted("trace", charts.trace_viewer(groups[0]["unit"], methods), caption, {"groups": groups})


def _distribution(sources: Sources, run: RunEvidence) -> Charted | None:
    rows = []
    for group in run.groups:
        known = [s for _, s in group.each(sources.house, DURATION) if math.isfinite(s.figure.value)]
        known.sort(key=lambda s: s.figure.value)
        for i, s in enumerate(known, 1):
            step = _step(s)
            rows.append(
                {
                    "ms": _round(1e3 * s.figure.value),
                    "share": round(100 * i / len(known), 2),
                    "step": step,
                    "condition": group.title,
                }
            )
    if not rows:
        return None
    caption = "Share of the transitions that are over within a time, under the house method, beside common refresh periods."
    return Charted("distribution", charts.duration_distribution(rows), caption)


def _side_by_side(sources: Sources, run: RunEvidence) -> Charted | None:
    if not run.groups:
        return None
    group = run.groups[0]
    rows: list[dict[str, Any]] = []
    for method in _duration_methods(sources, group):
        for _, s in group.each(method, DURATION):
            if math.isfinite(s.figure.value):
                u = s.expanded if math.isfinite(s.expanded) else 0.0
                rows.append(
                    {
                        "step": _step(s),
                        "method": method,
                        "ms": _round(1e3 * s.figure.value),
                        "low": _round(1e3 * (s.figure.value - u)),
                        "high": _round(1e3 * (s.figure.value + u)),
                    }
                )
    if len({r["method"] for r in rows}) < 2:
        return None
    rows.sort(key=lambda r: tuple(map(int, r["step"].split(" to "))))
    caption = f"Every transition under every method, {group.title}, from the same raw traces."
    return Charted("methods", charts.methods_side_by_side(rows), caption)


def _disagreement(sources: Sources, run: RunEvidence) -> list[dict[str, Any]]:
    """The mean under every method, as a part of the house method's: the answer to why numbers differ."""
    out = []
    for group in run.groups:
        house = group.whole(sources.house, f"{DURATION}_mean")
        for method in _duration_methods(sources, group):
            s = group.whole(method, f"{DURATION}_mean")
            if s is None:
                continue
            ratio = s.figure.value / house.figure.value if house and house.figure.value else math.nan
            relative = "–" if not math.isfinite(ratio) or method == sources.house else _percent(ratio - 1)
            title = sources.methods.methods[method].definition.title
            out.append({"line": line_of(group, s, method), "title": title, "relative": relative, "method": method})
    return out


def _duration_methods(sources: Sources, group: GroupEvidence) -> list[str]:
    """Methods that give a mean duration of their own, the house method first."""
    found = [m for m in sources.methods.methods if group.whole(m, f"{DURATION}_mean") is not None]
    return sorted(found, key=lambda m: (m != sources.house, m))


def _curve(group: GroupEvidence, seen: SeenGroup) -> Charted | None:
    curve = seen.context.curve if seen.context else None
    if curve is None or not len(curve.levels):
        return None
    rows = [
        {"level": float(a), "light": _round(float(b)), "low": _round(float(b - 2 * u)), "high": _round(float(b + 2 * u))}
        for a, b, u in zip(curve.levels, curve.light, curve.u, strict=True)
    ]
    how = "measured with held levels" if curve.source == "measured" else f"assumed: {curve.source}"
    caption = f"Code-to-light curve, {group.title}, {how}."
    return Charted(f"curve-{group.entry.group}", charts.level_curve(rows, seen.unit), caption)


def _percent(part: float) -> str:
    text = f"{abs(100 * part):.0f} %"
    return text if text == "0 %" else ("+" if part > 0 else "−") + text


def _step(s: Stated) -> str:
    return f"{s.figure.from_level} to {s.figure.to_level}"


def _round(value: float) -> float:
    return float(f"{value:.5g}")
