"""Derivatives by differences: for models of a few lines, and against those that are written out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from greystep.plugins.analysis.transition.least_squares import Evaluate
from numpy.typing import NDArray

Array = NDArray[np.float64]


def numeric(model: Callable[[Array], Array]) -> Evaluate:
    """A model with derivatives by central differences, with the step that is best for double precision."""

    def evaluate(at: Array) -> tuple[Array, Array]:
        columns = []
        for i, value in enumerate(at):
            step = np.finfo(float).eps ** (1 / 3) * max(abs(value), 1e-8)
            up, down = at.copy(), at.copy()
            up[i], down[i] = value + step, value - step
            columns.append((model(up) - model(down)) / (up[i] - down[i]))
        return model(at), np.ascontiguousarray(np.stack(columns, axis=1))

    return evaluate
