"""How a figure of a transition comes out: a number with its budget, or none with the reason."""

from __future__ import annotations

import math
from dataclasses import replace

from greystep.schema.figure import Component, Figure, flags_of

from .refusal import Refusal
from .transit import Transit


def refused(transit: Transit, quantity: str, unit: str, refusal: Refusal) -> Figure:
    """No figure, with the reason."""
    s = transit.subject
    return Figure(
        quantity,
        math.nan,
        unit,
        s.from_level,
        s.to_level,
        reason=refusal.reason,
        flags=flags_of(transit.flags, refusal.flags),
        repeats=transit.observation.repeats,
    )


def plain(transit: Transit, quantity: str, value: float, unit: str, budget: list[Component]) -> Figure:
    s = transit.subject
    figure = Figure(
        quantity,
        value,
        unit,
        s.from_level,
        s.to_level,
        tuple(budget),
        flags=transit.flags,
        repeats=transit.observation.repeats,
    )
    if not transit.rest.settled:
        text = f"the light still moves at an end of the record: about {100 * transit.rest.missing:.2g} % of the step is missing"
        # A duration goes on; a part of a step that is larger than what was seen of it is smaller.
        return replace(figure, bound=">=" if unit == "s" else "<=", reason=text, budget=())
    return figure
