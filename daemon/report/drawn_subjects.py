"""What estimators have to draw, of every transition and every held level, thinned for a page."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from greystep.schema.drawn import DrawnCurve
from greystep.schema.trace import Array, Steady, Transition

from .decimate import thinned
from .evidence import GroupEvidence, RunEvidence, Sources

LIMITS: Final = "flicker-limits"
"""The picture of zones, which is made of figures and not of one subject's curves."""
_ORDER: Final = ("flicker-waveform", "flicker-spectrum", LIMITS)
_POINTS: Final = {"flicker-spectrum": 400}
_USUAL_POINTS: Final = 160


@dataclass(frozen=True)
class Seen:
    """One curve with where it comes from."""

    condition: str
    """Title of the condition."""
    subject: str
    """Such as `0 → 255` or `level 255`: what a reader chooses by."""
    rank: tuple[int, int, int]
    """Order of subjects: kind, then levels."""
    weight: int
    """The subject of the greatest weight is shown first: the widest step, the brightest level."""
    curve: DrawnCurve


def seen_curves(sources: Sources, run: RunEvidence) -> dict[str, list[Seen]]:
    """Curves by picture, in order of condition and capture."""
    out: dict[str, list[Seen]] = {}
    for group in run.groups:
        for seen in _of_group(sources, group):
            out.setdefault(seen.curve.picture, []).append(seen)
    return dict(sorted(out.items(), key=lambda item: _ORDER.index(item[0]) if item[0] in _ORDER else -1))


def _of_group(sources: Sources, group: GroupEvidence) -> Iterator[Seen]:
    for method in sources.methods.methods.values():
        estimator = sources.host.estimators[method.definition.estimator]
        if getattr(estimator, "curves", None) is None:
            continue
        parameters = estimator.Parameters.model_validate(method.parameters)
        for capture in group.captures:
            if not capture.reason and capture.kind in method.kinds:
                yield from _of_capture(sources, group, method, capture, estimator, parameters)


def _of_capture(
    sources: Sources, group: GroupEvidence, method: Any, capture: Any, estimator: Any, parameters: Any
) -> Sequence[Seen]:
    out: list[Seen] = []
    try:
        context = sources.traces.context(method, capture, group.captures)
        for subject in sources.traces.subjects(method, capture, group.captures):
            if isinstance(subject, (Transition, Steady)):
                name, rank, weight = _named(subject)
                out += [Seen(group.title, name, rank, weight, c) for c in estimator.curves(subject, context, parameters)]
    except Exception:  # a picture is left out when a plugin or a file fails; its figures say why
        return []
    return out


def _named(subject: Transition | Steady) -> tuple[str, tuple[int, int, int], int]:
    if isinstance(subject, Transition):
        a, b = subject.from_level, subject.to_level
        return f"{a} → {b}", (0, a, b), 2 * abs(b - a) + (b > a)
    return f"level {subject.level}", (1, subject.level, 0), subject.level


def choices_of(found: Sequence[Seen]) -> tuple[list[dict[str, Any]], str]:
    """Every subject with its curves in few numbers, and the name of the one to show first.

    A subject: `name`, `caption`, `series` (each with `name`, `x`, `y`). Series bear the name of the condition, so that they
    keep their colours from subject to subject; curves to compare with are shown once.
    """
    subjects: dict[str, list[Seen]] = {}
    for seen in sorted(found, key=lambda s: s.rank):
        subjects.setdefault(seen.subject, []).append(seen)
    alone = all(_one_each(lot) for lot in subjects.values())
    choices = []
    for name, lot in subjects.items():
        series: dict[str, dict[str, Any]] = {}
        for seen in lot:
            c = seen.curve
            called = c.series if c.reference else seen.condition if alone else f"{c.series}, {seen.condition}"
            series.setdefault(called, _numbers(called, c))
        # Curves to compare with go first, so that they lie below what was measured.
        below = sorted(series.values(), key=lambda s: not s["reference"])
        caption = "; ".join(dict.fromkeys(s.curve.title for s in lot))
        choices.append({"name": name, "caption": f"{caption}: {name}.", "series": below})
    first = max(found, key=lambda s: s.weight).subject
    return choices, first


def _one_each(lot: Sequence[Seen]) -> bool:
    measured = [s.condition for s in lot if not s.curve.reference]
    return len(measured) == len(set(measured))


def _numbers(name: str, curve: DrawnCurve) -> dict[str, Any]:
    good = np.isfinite(curve.x) & np.isfinite(curve.y)
    x, y = thinned(curve.x[good], curve.y[good], _POINTS.get(curve.picture, _USUAL_POINTS))
    return {"name": name, "x": _short(x), "y": _short(y), "reference": curve.reference}


def _short(values: Array) -> list[float]:
    return [float(f"{v:.4g}") for v in values.tolist() if math.isfinite(v)]


def rows_of(choice: dict[str, Any]) -> list[dict[str, Any]]:
    """Rows of a chart for one subject."""
    return [
        {"x": x, "y": y, "series": s["name"], "i": i}
        for s in choice["series"]
        for i, (x, y) in enumerate(zip(s["x"], s["y"], strict=True))
    ]


def series_of(choices: Sequence[dict[str, Any]], conditions: Sequence[str]) -> list[str]:
    """Names of all series: measured ones in the order of their conditions, then those to compare with."""
    known = dict.fromkeys((s["reference"], s["name"]) for c in choices for s in c["series"])
    place = {title: i for i, title in enumerate(conditions)}
    return [name for _, name in sorted(known, key=lambda k: (k[0], place.get(k[1], len(place))))]
