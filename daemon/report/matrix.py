"""From-to matrix of one quantity: a cell a transition, with number, uncertainty, colour and what must be known of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from greystep.schema.flags import FIGURE_FLAGS

from .evidence import Stated
from .rounding import MISSING, compact, interval_text, quantity_of, shown_unit
from .shades import shade

_BOUNDS = {"": "", "<=": "≤", ">=": "≥"}


@dataclass(frozen=True)
class Cell:
    """One transition."""

    from_level: int
    to_level: int
    text: str
    uncertainty: str
    """`± 0.04`; empty when there is none."""
    background: str
    colour: str
    note: str
    """Everything about it in one line, for pointer, keyboard and screen reader."""
    marked: bool
    """Whether it must be read with care."""


@dataclass(frozen=True)
class Matrix:
    """All transitions of a condition."""

    title: str
    unit: str
    meaning: str
    rows: tuple[int, ...]
    columns: tuple[int, ...]
    cells: dict[tuple[int, int], Cell]
    lowest: str
    highest: str
    """Ends of the colour scale."""
    marked: bool
    mean: str = ""
    """Of the matrix, in words; empty where the method gives none."""


def scale_of(figures: Iterable[Stated]) -> tuple[float, float]:
    """Ends of a colour scale that holds all figures, from 0 where they are all positive."""
    values = [s.figure.value for s in figures if math.isfinite(s.figure.value)]
    return (min(0.0, *values), max(values)) if values else (0.0, 1.0)


def make_matrix(quantity: str, figures: Sequence[Stated], scale: tuple[float, float], mean: Stated | None = None) -> Matrix:
    """Matrix of the figures of one quantity.

    Args:
        quantity: name.
        figures: with from- and to-level, one a transition.
        scale: ends of the colours in SI, shared by all matrices that are to be compared by eye.
        mean: over the matrix.
    """
    q = quantity_of(quantity, figures[0].figure.unit if figures else "")
    cells = {}
    for s in figures:
        f = s.figure
        if f.from_level is not None and f.to_level is not None:
            cells[f.from_level, f.to_level] = _cell(s, f.from_level, f.to_level, scale)
    over = ""
    if mean is not None:
        k = q.display_factor
        over = interval_text(mean.figure.value * k, mean.expanded * k, shown_unit(q), mean.figure.bound)
    low, high = (f"{compact(x * q.display_factor)} {shown_unit(q)}".strip() for x in scale)
    return Matrix(
        q.title,
        shown_unit(q),
        q.meaning,
        tuple(sorted({a for a, _ in cells})),
        tuple(sorted({b for _, b in cells})),
        cells,
        low,
        high,
        any(c.marked for c in cells.values()),
        over,
    )


def _cell(s: Stated, from_level: int, to_level: int, scale: tuple[float, float]) -> Cell:
    f = s.figure
    q = quantity_of(f.quantity, f.unit)
    value, expanded = f.value * q.display_factor, s.expanded * q.display_factor
    low, high = scale
    part = (f.value - low) / (high - low) if math.isfinite(f.value) and high > low else 0.0
    background, colour = shade(part) if f.measurable else ("", "")
    text = f"{_BOUNDS[f.bound]}{compact(value)}" if f.measurable else MISSING
    width = compact(expanded, 2)
    uncertainty = f"± {width}" if math.isfinite(expanded) and width not in ("0", "0.000") else ""
    return Cell(from_level, to_level, text, uncertainty, background, colour, describe(s), bool(f.flags or f.reason))


def describe(s: Stated) -> str:
    """A figure in one line: number with uncertainty, repeats, reason, flags in words."""
    f = s.figure
    q = quantity_of(f.quantity, f.unit)
    k = q.display_factor
    head = interval_text(f.value * k, s.expanded * k, shown_unit(q), f.bound) if f.measurable else "not measurable"
    step = f"{f.from_level} to {f.to_level}: " if f.from_level is not None else ""
    more = [f"{f.repeats} repeats"] if f.repeats else []
    more += [f.reason] if f.reason else []
    more += [FIGURE_FLAGS.get(flag, flag) for flag in f.flags]
    return f"{step}{head}" + (f" ({'; '.join(more)})" if more else "")
