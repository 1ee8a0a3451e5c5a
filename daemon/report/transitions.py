"""Every transition of a condition with its trace on few points and each method's marks: what the trace viewer shows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from greystep.schema.errors import ArchiveError
from greystep.schema.trace import Context, Transition

from .decimate import bin_edges, envelope
from .evidence import GroupEvidence, Sources, Stated, finite
from .rounding import interval_text
from .sketches import Sketch, sketch, window_of

DURATION: Final = "transition_duration"
_FINE, _COARSE = 170, 70


@dataclass(frozen=True)
class Mark:
    """Where one method sees the transition start and end."""

    method: str
    title: str
    start_s: float
    end_s: float
    start_light: float
    end_light: float
    text: str
    """The duration with its uncertainty."""


@dataclass(frozen=True)
class SeenTransition:
    """One transition as it is drawn."""

    sketch: Sketch
    record: dict[str, Any]
    """Numbers for the viewer, small enough for a page."""


@dataclass(frozen=True)
class SeenGroup:
    """All transitions of a condition."""

    transitions: tuple[SeenTransition, ...]
    unit: str
    context: Context | None
    problems: tuple[str, ...] = ()
    """Captures that could not be drawn, with the reason."""


def see_group(sources: Sources, group: GroupEvidence) -> SeenGroup:
    """Prepare and reduce all traces of a condition."""
    method = sources.house_method or next((m for m in sources.methods.methods.values() if "step" in m.kinds), None)
    if method is None:
        return SeenGroup((), "", None)
    seen: list[SeenTransition] = []
    problems: list[str] = []
    unit, context = "", None
    for capture in group.captures:
        if capture.kind != "step" or capture.reason:
            continue
        try:
            context = sources.traces.context(method, capture, group.captures)
            subjects = sources.traces.subjects(method, capture, group.captures)
        except (ArchiveError, ValueError) as exc:
            problems.append(f"{capture.key}: {exc}")
            continue
        for subject in subjects:
            if isinstance(subject, Transition) and subject.light.size:
                unit = subject.unit
                seen.append(_see(subject, _marks(sources, group, capture.id, subject), sources.house, capture.key))
    seen.sort(key=lambda s: (s.sketch.from_level, s.sketch.to_level))
    return SeenGroup(tuple(seen), unit, context, tuple(problems))


def _marks(sources: Sources, group: GroupEvidence, capture: str, subject: Transition) -> list[Mark]:
    marks = []
    for method in sources.methods.methods.values():
        if group.whole(method.id, f"{DURATION}_mean") is None:
            continue
        for s in group.of_captures.get((method.id, capture), ()):
            mark = _mark(s, method.id, method.definition.title)
            if mark and (s.figure.from_level, s.figure.to_level) == (subject.from_level, subject.to_level):
                marks.append(mark)
    return marks


def _mark(s: Stated, method: str, title: str) -> Mark | None:
    d = s.figure.detail
    if s.figure.quantity != DURATION or "start_s" not in d or not finite(d["start_s"], d.get("end_s", math.nan)):
        return None
    text = interval_text(1e3 * s.figure.value, 1e3 * s.expanded, "ms", s.figure.bound)
    return Mark(
        method,
        title,
        d["start_s"],
        d["end_s"],
        d.get("start_reference", math.nan),
        d.get("end_reference", math.nan),
        text,
    )


def _see(subject: Transition, marks: list[Mark], house: str, key: str) -> SeenTransition:
    window = window_of(subject, [(m.start_s, m.end_s) for m in marks])
    first = next((m for m in marks if m.method == house), marks[0] if marks else None)
    references = tuple(x for x in (first.start_light, first.end_light) if math.isfinite(x)) if first else ()
    drawn = sketch(subject, window, (first.start_s, first.end_s) if first else None, references)
    edges = bin_edges(subject.times_s, window, _FINE, _COARSE)
    smooth = envelope(subject.times_s, subject.light, edges)
    record: dict[str, Any] = {
        "from": subject.from_level,
        "to": subject.to_level,
        "key": key,
        "repeats": len(subject.light),
        "window": [_short(1e3 * t) for t in window],
        "t": _numbers(1e3 * smooth.times_s, 5),
        "mean": _numbers(smooth.mean),
        "low": _numbers(smooth.low),
        "high": _numbers(smooth.high),
        "marks": [
            {
                "method": m.method,
                "text": m.text,
                "start": _short(1e3 * m.start_s, 6),
                "end": _short(1e3 * m.end_s, 6),
                "startLight": _short(m.start_light),
                "endLight": _short(m.end_light),
            }
            for m in marks
        ],
    }
    if subject.raw is not None:
        raw = envelope(subject.times_s, subject.raw, edges)
        record |= {"rawLow": _numbers(raw.low), "rawHigh": _numbers(raw.high)}
    return SeenTransition(drawn, record)


def _numbers(values: Any, digits: int = 4) -> list[float]:
    return [_short(v, digits) for v in np.asarray(values).tolist()]


def _short(value: float, digits: int = 5) -> Any:
    return float(f"{value:.{digits}g}") if math.isfinite(value) else None
