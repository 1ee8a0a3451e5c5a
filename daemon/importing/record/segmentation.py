"""From the points of a record to labelled steps and holds, and what could not be used."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
from greystep.daemon.patterns.timeline import Timeline
from numpy.typing import NDArray

from .changes import find_changes
from .levels import Label, by_light, by_order, by_timeline
from .plateaus import Plateau, find_plateaus

MAX_ALIGN: Final = 60_000_000
"""Plateaus times elements of an order; beyond, the alignment would fill the memory."""


_HIDDEN: Final = "the light stood still elsewhere on its way: another step is hidden in it"


@dataclass(frozen=True)
class Knowledge:
    """What is known about the levels; at least one of the three."""

    table: Mapping[int, float] = field(default_factory=dict)
    """Level -> light, from steady captures."""
    order: Sequence[int] = ()
    """Levels as shown."""
    timeline: Timeline | None = None
    """Of the played file."""


@dataclass(frozen=True)
class Step:
    """A change between two recognised levels."""

    at_s: float
    """About when it began, since the start of the record."""
    from_level: int
    to_level: int
    before_s: float
    """How long the level before was held."""
    after_s: float
    """How long the level after was held."""


@dataclass(frozen=True)
class Hold:
    """A settled plateau of a recognised level."""

    level: int
    start_s: float
    """Start of its settled part."""
    end_s: float


@dataclass(frozen=True)
class Segmentation:
    """What a record holds."""

    plateaus: tuple[Plateau, ...]
    labels: tuple[Label, ...]
    steps: tuple[Step, ...]
    holds: tuple[Hold, ...]
    ripple_s: float
    """Period of the ripple; 0: none."""
    remarks: tuple[str, ...] = ()
    """What could not be identified or found, in words."""


def segment(
    points: NDArray[np.float64], interval_s: float, start_s: float, known: Knowledge, hold_s: float | None
) -> Segmentation:
    """Find and name the steps of a record.

    Args:
        points: [point] light, smooth (see `envelope`).
        interval_s: between points.
        start_s: time of the first point since the start of the record.
        known: what is known about the levels.
        hold_s: about how long each level was held; None: not known.
    """
    changes = find_changes(points, interval_s, hold_s)
    plateaus = find_plateaus(changes)
    labels = _labels(plateaus, interval_s, known)
    span = float(changes.smooth.max() - changes.smooth.min()) if len(changes.smooth) else 0.0
    labels = _doubt_long(plateaus, labels, span)
    labels = [Label(None, _HIDDEN) if p.stepped else label for p, label in zip(plateaus, labels, strict=True)]
    plateaus, labels = _join_equal(plateaus, labels)
    steps = _steps(plateaus, labels, interval_s, start_s)
    holds = _holds(plateaus, labels, interval_s, start_s, span)
    remarks = [*_unknown(plateaus, labels, interval_s, start_s), *_absent(labels, known)]
    return Segmentation(tuple(plateaus), tuple(labels), tuple(steps), tuple(holds), changes.period * interval_s, tuple(remarks))


def _labels(plateaus: Sequence[Plateau], interval_s: float, known: Knowledge) -> list[Label]:
    if len(plateaus) < 2:
        return [Label(None, "no change of level in the record") for _ in plateaus]
    if known.timeline is not None:
        return by_timeline(plateaus, interval_s, known.timeline)
    if known.order and len(plateaus) * len(known.order) <= MAX_ALIGN:
        whole = set(known.order) <= set(known.table)
        return by_order(plateaus, known.order, known.table if whole else None)
    if len(known.table) > 1:
        return by_light(plateaus, known.table)
    return [Label(None, "nothing tells the levels") for _ in plateaus]


def _settled(plateau: Plateau, span: float) -> bool:
    return abs(plateau.moving) <= max(0.004 * span, 8 * plateau.u)


def _doubt_long(plateaus: Sequence[Plateau], labels: Sequence[Label], span: float) -> list[Label]:
    """Where levels were held evenly, light that lasts longer may hide a step that came before the one before it had settled."""
    lengths = np.array([p.stop - p.start for p in plateaus], dtype=np.float64)
    usual = float(np.median(lengths)) if len(lengths) else 0.0
    if len(lengths) < 8 or np.mean(np.abs(lengths - usual) < 0.15 * usual) < 0.6:
        return list(labels)
    slow = np.mean([not _settled(p, span) for p in plateaus]) > 0.3
    told = "lasted longer than the others and may not have settled: another step may be hidden in it"
    return [
        Label(None, told) if length > 1.6 * usual and (slow or not _settled(p, span)) else label
        for p, label, length in zip(plateaus, labels, lengths, strict=True)
    ]


def _join_equal(plateaus: Sequence[Plateau], labels: Sequence[Label]) -> tuple[list[Plateau], list[Label]]:
    """Neighbours of one recognised level become one plateau: a dip or a flash stood between them."""
    out: list[Plateau] = []
    names: list[Label] = []
    for p, label in zip(plateaus, labels, strict=True):
        if out and label.level is not None and label.level == names[-1].level:
            out[-1] = Plateau(out[-1].start, p.stop, p.light, p.moving, p.u)
        else:
            out.append(p)
            names.append(label)
    return out, names


def _steps(plateaus: Sequence[Plateau], labels: Sequence[Label], interval_s: float, start_s: float) -> list[Step]:
    steps = []
    for (a, before), (b, after) in pairwise(zip(plateaus, labels, strict=True)):
        if before.level is None or after.level is None:
            continue
        held = ((a.stop - a.start) * interval_s, (b.stop - b.start) * interval_s)
        steps.append(Step(start_s + b.start * interval_s, before.level, after.level, *held))
    return steps


def _holds(plateaus: Sequence[Plateau], labels: Sequence[Label], interval_s: float, start_s: float, span: float) -> list[Hold]:
    out = []
    for p, label in zip(plateaus, labels, strict=True):
        if label.level is not None and _settled(p, span):
            length = (p.stop - p.start) * interval_s
            end = start_s + p.stop * interval_s - min(0.1 * length, 0.02)
            out.append(Hold(label.level, end - 0.35 * length, end))
    return out


def _unknown(plateaus: Sequence[Plateau], labels: Sequence[Label], interval_s: float, start_s: float) -> list[str]:
    return [
        f"{start_s + p.start * interval_s:.3f} to {start_s + p.stop * interval_s:.3f} s: {label.reason}"
        for p, label in zip(plateaus, labels, strict=True)
        if label.level is None
    ]


def _absent(labels: Sequence[Label], known: Knowledge) -> list[str]:
    """Pairs of the order that were not found as a step, or not as often."""
    order = known.order or (known.timeline.levels if known.timeline else ())
    if not order:
        return []
    wanted = Counter((a, b) for a, b in pairwise(order) if a != b)
    names = [label.level for label in labels]
    found = Counter(pairwise(names))
    out = []
    for (a, b), count in sorted(wanted.items()):
        if found[a, b] < count:
            out.append(f"the step {a} to {b} was shown {count} times and found {found[a, b]} times")
    return out
