"""Pictures from what estimators hand out: moving-edge profiles, flicker waveform, spectrum and zones, slow series."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from greystep.schema.drawn import DrawnCurve
from greystep.schema.errors import GreystepError
from greystep.schema.trace import Steady, Transition

from . import charts
from .charted import Charted
from .evidence import GroupEvidence, RunEvidence, Sources

_LIMITS: Final = "flicker-limits"
_MOST_SERIES: Final = 200


def make_pictures(sources: Sources, run: RunEvidence) -> list[Charted]:
    """Every picture of the run for which there is something to draw."""
    gathered: dict[str, list[tuple[str, DrawnCurve]]] = {}
    for group in run.groups:
        for curve in _curves(sources, group):
            gathered.setdefault(curve.picture, []).append((group.title, curve))
    out = []
    for picture, found in gathered.items():
        out.append(_zones(found, run) if picture == _LIMITS else _lines(picture, found, several=len(run.groups) > 1))
    return [*out, *_series(sources, run)]


def _curves(sources: Sources, group: GroupEvidence) -> list[DrawnCurve]:
    out: list[DrawnCurve] = []
    for method in sources.methods.methods.values():
        estimator = sources.host.estimators[method.definition.estimator]
        draw = getattr(estimator, "curves", None)
        if draw is None:
            continue
        parameters = estimator.Parameters.model_validate(method.parameters)
        for capture in _worth_drawing(group, method.kinds):
            try:
                context = sources.traces.context(method, capture, group.captures)
                for subject in sources.traces.subjects(method, capture, group.captures):
                    if isinstance(subject, (Transition, Steady)):
                        out += draw(subject, context, parameters)
            except Exception:  # a picture is left out when a plugin or a file fails; its figures say why
                continue
    return out


def _worth_drawing(group: GroupEvidence, kinds: frozenset[Any]) -> list[Any]:
    """The widest step and the brightest held level: they stand for the condition."""
    readable = [c for c in group.captures if not c.reason]
    steps = [c for c in readable if c.kind == "step" and "step" in kinds]
    held = [c for c in readable if c.kind == "steady" and "steady" in kinds]
    widest = max(steps, key=lambda c: abs(c.to_level - c.from_level), default=None)
    brightest = max(held, key=lambda c: c.to_level, default=None)
    return [c for c in (widest, brightest) if c is not None]


def _lines(picture: str, found: Sequence[tuple[str, DrawnCurve]], *, several: bool) -> Charted:
    rows: list[dict[str, Any]] = []
    drawn: set[str] = set()
    for title, curve in found:
        name = f"{curve.series}, {title}" if several and not curve.reference else curve.series
        if name in drawn:  # a model that is the same for several curves
            continue
        drawn.add(name)
        rows += [
            {"x": _short(x), "y": _short(y), "series": name, "i": i}
            for i, (x, y) in enumerate(zip(curve.x.tolist(), curve.y.tolist(), strict=True))
            if math.isfinite(x) and math.isfinite(y)
        ]
    first = found[0][1]
    titles = list(dict.fromkeys(c.title for _, c in found))
    alt_text = f"{'; '.join(titles)}: {first.y_title} over {first.x_title}."
    spec = charts.lines(rows, first.x_title, first.y_title, alt_text, log=first.log_x)
    return Charted(picture, spec, f"{'; '.join(titles)}.")


def _zones(found: Sequence[tuple[str, DrawnCurve]], run: RunEvidence) -> Charted:
    limits: dict[str, list[dict[str, Any]]] = {}
    for _, curve in found:
        limits.setdefault(
            curve.series,
            [
                {"hz": _short(x), "percent": _short(y), "limit": curve.series}
                for x, y in zip(curve.x.tolist(), curve.y.tolist(), strict=True)
            ],
        )
    points = []
    for group in run.groups:
        known = {s.figure.quantity: s.figure for stated in group.of_group.values() for s in stated}
        hz, depth = known.get("flicker_frequency"), known.get("modulation_depth")
        if hz and depth and hz.measurable and depth.measurable and depth.value > 0:
            bound = {"": "", "<=": "at most ", ">=": "at least "}[depth.bound]
            label = f"{group.title}: {bound}{100 * depth.value:.3g} %"
            points.append({"hz": _short(hz.value), "percent": _short(100 * depth.value), "label": label})
    caption = "Modulation depth and frequency against the limits of IEEE Std 1789-2015 (from memory)." + (
        "" if points else " No modulation was found above the noise, so that there is no point to draw."
    )
    return Charted(_LIMITS, charts.zone_plot([r for rows in limits.values() for r in rows], points), caption)


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
            every = max(1, read.samples // _MOST_SERIES)
            values, times = channel.values(), np.asarray(read.times_s)
            for k in range(read.segments):
                rows += [
                    {"x": _short(t / 60), "y": _short(v), "series": group.title, "i": i}
                    for i, (t, v) in enumerate(zip(times[::every].tolist(), values[k][::every].tolist(), strict=True))
                ]
    if not rows:
        return []
    shown = unit.replace("cd/m2", "cd/m²")
    spec = charts.lines(rows, "time, min", f"light, {shown}", "Light over time while the display warmed up.")
    return [Charted("warm-up-series", spec, "Light while the display warmed up.")]


def _short(value: float) -> float:
    return float(f"{value:.4g}")
