"""The estimator `transition`: durations, aberrations and completion of each grey-to-grey transition, and of the matrix."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import cast

from greystep.schema.capture import Kind
from greystep.schema.figure import Figure, flags_of
from greystep.schema.trace import Context, Subject, Transition
from pydantic import BaseModel

from ..matrix.summary import matrix_figures
from .figures import MAKERS
from .parameters import TransitionParameters
from .refusal import Refusal
from .transit import find_transit
from .words import explain


class TransitionEstimator:
    """Durations between reference levels (IEEE Std 181 terms), in any domain.

    The repeats are averaged first; the instants come from cubics fitted around the crossings; each figure is formed again with
    each repeat left out for its scatter. See `search` for the rules, `crossing` for the fit, `timing` for the budget.
    """

    id = "transition"
    version = 3
    title = "Transition between levels"
    kinds: frozenset[Kind] = frozenset({"step"})
    Parameters = TransitionParameters

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """Figures of one transition; none for other subjects."""
        if not isinstance(subject, Transition):
            return []
        p = cast(TransitionParameters, parameters)
        transit = find_transit(subject, context, p)
        if isinstance(transit, Refusal):
            return [self._without(subject, name, transit) for name in p.quantities]
        return [MAKERS[name][1](transit) for name in p.quantities]

    def _without(self, subject: Transition, name: str, refusal: Refusal) -> Figure:
        unit = MAKERS[name][0]
        repeats = int(subject.light.shape[0]) if subject.light.ndim == 2 else 0
        flags = flags_of(subject.flags, refusal.flags)
        return Figure(
            name, math.nan, unit, subject.from_level, subject.to_level, reason=refusal.reason, flags=flags, repeats=repeats
        )

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """Figures of the whole matrix."""
        return matrix_figures(figures, context, cast(TransitionParameters, parameters))

    def explain(self, parameters: BaseModel) -> str:
        """The method in words."""
        return explain(cast(TransitionParameters, parameters))
