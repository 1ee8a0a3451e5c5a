"""Figures by topic: moving edge, flicker, delay, power, warm-up. By quantity, so that methods of plugins fit in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from greystep.schema.figure import Figure

from .evidence import GroupEvidence, Sources, Stated
from .in_detail import LevelTable, levels_of, matrices_of
from .matrix import Matrix, describe
from .rounding import figure_text, quantity_of

TOPICS: Final = (
    (
        "moving-edge",
        "Moving edge",
        "What an eye that follows a moving edge sees. On a display that holds its light, the refresh period itself is part of "
        "the blur.",
        (
            "blur_edge_time_mean",
            "extended_blur_edge_time_mean",
            "gaussian_edge_time_mean",
            "blur_width",
            "persistence",
        ),
    ),
    (
        "flicker",
        "Flicker",
        "Modulation of the light at held levels; the brightest level stands for the condition.",
        ("flicker_frequency", "modulation_depth", "flicker_index", "stroboscopic_visibility", "ieee1789_zone"),
    ),
    (
        "delay",
        "Signal-to-light delay",
        "From the level command to the light, less the pattern source's own delay.",
        ("delay_first_light", "delay_50"),
    ),
    (
        "power",
        "Power and battery",
        "Electrical power as the meter reads it, and what the overdrive costs.",
        ("power", "power_overdrive", "battery_runtime", "battery_runtime_cost"),
    ),
    (
        "warm-up",
        "Warm-up and drift",
        "How long the light takes to become stable, and how stable it then is.",
        ("time_to_stable", "drift", "allan_deviation"),
    ),
)


@dataclass(frozen=True)
class Line:
    """One figure of a condition."""

    condition: str
    quantity: str
    meaning: str
    text: str
    note: str
    reason: str
    """Why it is a bound or not measurable; empty for a plain value."""
    marked: bool
    method: str


@dataclass(frozen=True)
class Topic:
    """A section of the page."""

    id: str
    title: str
    intro: str
    conditions: tuple[str, ...]
    rows: tuple[tuple[str, str, tuple[Line | None, ...]], ...]
    """Quantity, its meaning, and a line for each condition."""
    matrices: tuple[tuple[str, Matrix], ...] = ()
    """Condition and matrix, where each transition has a figure."""
    levels: tuple[LevelTable, ...] = ()
    """Held levels, where each has figures."""


def line_of(group: GroupEvidence, s: Stated, method: str) -> Line:
    """A figure in words."""
    f: Figure = s.figure
    q = quantity_of(f.quantity, f.unit)
    text = figure_text(f.quantity, f.value, s.expanded, f.unit, f.bound) if f.measurable else "not measurable"
    return Line(group.title, q.title, q.meaning, text, describe(s), f.reason, bool(f.flags or f.reason), method)


def make_topics(sources: Sources, groups: Sequence[GroupEvidence]) -> list[Topic]:
    """Topics for which there is at least one figure."""
    out = []
    for id_, title, intro, quantities in TOPICS:
        rows = []
        for quantity in quantities:
            lines = tuple(_find(sources, g, quantity) for g in groups)
            if any(lines):
                q = quantity_of(quantity)
                rows.append((q.title, q.meaning, lines))
        if rows:
            each, levels = matrices_of(sources, groups, id_), levels_of(sources, groups, id_)
            out.append(Topic(id_, title, intro, tuple(g.title for g in groups), tuple(rows), tuple(each), tuple(levels)))
    return out


def _find(sources: Sources, group: GroupEvidence, quantity: str) -> Line | None:
    for method in sources.methods.methods:
        s = group.whole(method, quantity)
        if s is not None:
            return line_of(group, s, method)
    for method in sources.methods.methods:  # slow series are figures of one capture, not of a condition
        for capture, s in group.each(method, quantity):
            if capture.kind == "trend":
                return line_of(group, s, method)
    return None
