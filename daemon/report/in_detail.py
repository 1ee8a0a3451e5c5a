"""The figures of a topic one by one: a matrix over the transitions, a table over the held levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from .evidence import GroupEvidence, Sources, Stated
from .matrix import Matrix, describe, make_matrix, scale_of
from .rounding import figure_text, quantity_of

BY_TRANSITION: Final = {"moving-edge": ("blur_edge_time",), "delay": ("delay_50",)}
BY_LEVEL: Final = {
    "flicker": ("flicker_frequency", "modulation_depth", "flicker_index", "stroboscopic_visibility", "ieee1789_zone"),
}


@dataclass(frozen=True)
class LevelTable:
    """Held levels of a condition, a row each."""

    condition: str
    columns: tuple[tuple[str, str], ...]
    """Title and meaning."""
    rows: tuple[tuple[int, tuple[tuple[str, str], ...]], ...]
    """Level; text and note a column."""


def matrices_of(sources: Sources, groups: Sequence[GroupEvidence], topic: str) -> list[tuple[str, Matrix]]:
    """(condition, matrix) for every quantity of the topic that each transition has; one colour scale a quantity."""
    out = []
    for quantity in BY_TRANSITION.get(topic, ()):
        found = [(g, _of_captures(sources, g, quantity)) for g in groups]
        scale = scale_of(s for _, stated in found for s in stated)
        for group, stated in found:
            if stated:
                out.append((group.title, make_matrix(quantity, stated, scale)))
    return out


def levels_of(sources: Sources, groups: Sequence[GroupEvidence], topic: str) -> list[LevelTable]:
    """A table for every condition that has figures of held levels."""
    out = []
    for group in groups:
        columns, cells = [], {}
        for quantity in BY_LEVEL.get(topic, ()):
            of_levels = {s.figure.to_level: s for s in _of_captures(sources, group, quantity) if s.figure.to_level is not None}
            if of_levels:
                q = quantity_of(quantity)
                columns.append((q.title, q.meaning))
                cells[quantity] = of_levels
        levels = sorted({level for found in cells.values() for level in found if level is not None})
        rows = [(level, tuple(_cell(found.get(level)) for found in cells.values())) for level in levels]
        if rows:
            out.append(LevelTable(group.title, tuple(columns), tuple(rows)))
    return out


def _of_captures(sources: Sources, group: GroupEvidence, quantity: str) -> list[Stated]:
    """Of the first method that gives the quantity."""
    for method in sources.methods.methods:
        found = [s for _, s in group.each(method, quantity)]
        if found:
            return found
    return []


def _cell(s: Stated | None) -> tuple[str, str]:
    if s is None:
        return "–", ""
    f = s.figure
    text = figure_text(f.quantity, f.value, s.expanded, f.unit, f.bound) if f.measurable else "not measurable"
    return text, describe(s)
