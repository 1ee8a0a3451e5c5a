"""Pictures from what estimators hand out: moving-edge profiles, flicker waveform, spectrum and zones, slow series."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from greystep.schema.errors import GreystepError

from . import charts
from .charted import Charted
from .decimate import thinned
from .drawn_subjects import LIMITS, Seen, choices_of, rows_of, seen_curves, series_of
from .evidence import GroupEvidence, RunEvidence, Sources, Stated

_MOST_SERIES: Final = 400


def make_pictures(sources: Sources, run: RunEvidence) -> list[Charted]:
    """Every picture of the run for which there is something to draw."""
    out = []
    for picture, found in seen_curves(sources, run).items():
        out.append(_zones(found, run) if picture == LIMITS else _lines(picture, found))
    return [*out, *_series(sources, run)]


def _lines(picture: str, found: Sequence[Seen]) -> Charted:
    """A picture of one subject, with all the others to choose from."""
    choices, shown = choices_of(found)
    first = found[0].curve
    names = series_of(choices, list(dict.fromkeys(s.condition for s in found)))
    start = next(c for c in choices if c["name"] == shown)
    alt_text = f"{first.y_title} over {first.x_title}, one transition or level at a time."
    spec = charts.lines(rows_of(start), first.x_title, first.y_title, alt_text, log=first.log_x, names=names)
    return Charted(picture, spec, start["caption"], {"subjects": choices}, shown)


def _zones(found: Sequence[Seen], run: RunEvidence) -> Charted:
    limits: dict[str, list[dict[str, Any]]] = {}
    for seen in found:
        x, y = seen.curve.x.tolist(), seen.curve.y.tolist()
        name = seen.curve.series
        limits.setdefault(name, [{"hz": _short(a), "percent": _short(b), "limit": name} for a, b in zip(x, y, strict=True)])
    points = [p for group in run.groups for p in _modulations(group)]
    caption = "Modulation depth over frequency with the limits of IEEE Std 1789-2015, which are written down from memory "
    caption += "and were not checked against its text. " + (
        "One point a held level; the large one, with its number in the legend, stands for the condition."
        if points
        else "No modulation was found above the noise, so that there is no point to draw."
    )
    return Charted(LIMITS, charts.zone_plot([r for rows in limits.values() for r in rows], points), caption)


def _modulations(group: GroupEvidence) -> list[dict[str, Any]]:
    """Points of the zone plot: the condition's own first, then its held levels."""
    whole = _point([s for stated in group.of_group.values() for s in stated])
    points = [_point(list(stated)) for stated in group.of_captures.values()]
    levels = [p for p in points if p is not None]
    label = group.title
    if whole is not None:
        bound = {"": "", "<=": "at most ", ">=": "at least "}[str(whole["bound"])]
        label = f"{group.title}: {bound}{whole['percent']:.3g} %"
    out = [{**p, "label": label, "main": False} for p in levels]
    return [*out, *([{**whole, "label": label, "main": True}] if whole else [])]


def _point(stated: Sequence[Stated]) -> dict[str, Any] | None:
    known = {s.figure.quantity: s.figure for s in stated}
    hz, depth = known.get("flicker_frequency"), known.get("modulation_depth")
    if not (hz and depth and hz.measurable and depth.measurable and depth.value > 0):
        return None
    level = "" if depth.to_level is None else f"level {depth.to_level}"
    return {"hz": _short(hz.value), "percent": _short(100 * depth.value), "bound": depth.bound, "level": level}


def _series(sources: Sources, run: RunEvidence) -> list[Charted]:
    """Slow series (warm-up), one curve a segment."""
    rows: list[dict[str, Any]] = []
    unit = ""
    for group in run.groups:
        for capture in group.captures:
            if capture.kind != "trend" or capture.reason:
                continue
            try:
                read = sources.archive.read(capture.path)
            except GreystepError:
                continue
            channel = next(iter(read.channels.values()))
            unit = channel.unit
            values, times = channel.values(), np.asarray(read.times_s)
            for k in range(read.segments):
                x, y = thinned(times, values[k], _MOST_SERIES)
                rows += [
                    {"x": _short(t / 60), "y": _short(v), "series": group.title, "i": i}
                    for i, (t, v) in enumerate(zip(x.tolist(), y.tolist(), strict=True))
                ]
    if not rows:
        return []
    shown = unit.replace("cd/m2", "cd/m²")
    spec = charts.lines(rows, "time, min", f"light, {shown}", "Light over time while the display warmed up.")
    return [Charted("warm-up-series", spec, "Light while the display warmed up.")]


def _short(value: float) -> float:
    return float(f"{value:.4g}")
