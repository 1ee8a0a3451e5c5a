"""A figure as plain values for the catalogue, and back, without losing a bit.

Workers pack, so that the one writer only inserts. Names of components and details form the `form`, which thousands of figures
share; their numbers are packed 64-bit floats.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final, NamedTuple

from greystep.schema.figure import Bound, Component, Figure
from greystep.schema.uncertainty import combine

BOUNDS: Final[tuple[Bound, ...]] = ("", "<=", ">=")
COVERAGE: Final = 0.95
"""Of every expanded uncertainty."""


class Record(NamedTuple):
    """One figure with its combined uncertainty; plain values only."""

    quantity: str
    unit: str
    from_level: int | None
    to_level: int | None
    value: float
    u: float
    dof: float
    expanded: float
    bound: int
    flags: str
    reason: str
    repeats: int
    form: str
    numbers: bytes


def pack(figure: Figure, extra_flags: Sequence[str] = ()) -> Record:
    """Combine the budget (GUM 5.1, G.4) and pack the figure.

    Args:
        figure: as the estimator gave it.
        extra_flags: flags that the engine adds.
    """
    combined = combine(figure.budget, COVERAGE)
    form = _form(
        tuple((c.name, c.kind, c.shared, c.distribution) for c in figure.budget),
        tuple(str(k) for k in figure.detail),
    )
    numbers = [float(c.effect) for c in figure.budget] + [float(c.dof) for c in figure.budget]
    numbers += [float(v) for v in figure.detail.values()]
    return Record(
        figure.quantity,
        figure.unit,
        None if figure.from_level is None else int(figure.from_level),
        None if figure.to_level is None else int(figure.to_level),
        # Adding zero turns -0.0 into 0.0, which SQLite would do anyway.
        float(figure.value) + 0.0,
        float(combined.u),
        float(combined.dof),
        float(combined.expanded),
        BOUNDS.index(figure.bound),
        " ".join(sorted({*figure.flags, *extra_flags})),
        figure.reason,
        int(figure.repeats),
        form,
        struct.pack(f"<{len(numbers)}d", *numbers),
    )


def unpack(record: Record) -> Figure:
    """The figure with its budget and details."""
    budget, detail = unpack_numbers(record.form, record.numbers)
    return Figure(
        quantity=record.quantity,
        value=record.value,
        unit=record.unit,
        from_level=record.from_level,
        to_level=record.to_level,
        budget=budget,
        bound=BOUNDS[record.bound],
        reason=record.reason,
        flags=tuple(record.flags.split()),
        repeats=record.repeats,
        detail=detail,
    )


def unpack_numbers(form: str, numbers: bytes) -> tuple[tuple[Component, ...], dict[str, float]]:
    """Budget and details."""
    components, details = _names(form)
    values = struct.unpack(f"<{len(numbers) // 8}d", numbers)
    n = len(components)
    budget = tuple(
        Component(name, values[i], values[n + i], kind, shared, distribution)
        for i, (name, kind, shared, distribution) in enumerate(components)
    )
    return budget, dict(zip(details, values[2 * n :], strict=True))


@lru_cache(maxsize=8192)
def _form(components: tuple[tuple[str, str, str, str], ...], details: tuple[str, ...]) -> str:
    return json.dumps([components, details], separators=(",", ":"), ensure_ascii=False)


@lru_cache(maxsize=8192)
def _names(form: str) -> tuple[list[Any], list[str]]:
    components, details = json.loads(form)
    return components, details


def nan_if_none(value: float | None) -> float:
    """SQLite keeps NaN as NULL."""
    return math.nan if value is None else value
