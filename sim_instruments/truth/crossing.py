"""Instants at which a smooth function crosses a level: dense evaluation, then bisection.

Written for the truth alone and independent of every estimator: it may evaluate the function wherever it likes,
which no measurement can.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Function = Callable[[NDArray[np.float64]], NDArray[np.float64]]

BISECTIONS = 50


def bisect(function: Function, level: float, low_s: float, high_s: float) -> float:
    """The instant between `low_s` and `high_s` at which the function passes `level`; the ends lie on opposite sides."""
    above = bool(function(np.array([high_s]))[0] > level)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low_s + high_s)
        if bool(function(np.array([middle]))[0] > level) == above:
            high_s = middle
        else:
            low_s = middle
    return 0.5 * (low_s + high_s)


def first_crossing(function: Function, level: float, grid_s: NDArray[np.float64], values: NDArray[np.float64]) -> float | None:
    """First instant at which the function passes `level`; None if it never does. `values` is the function on the grid."""
    above = values > level
    changes = np.flatnonzero(above[1:] != above[:-1])
    if not len(changes):
        return None
    return bisect(function, level, float(grid_s[changes[0]]), float(grid_s[changes[0] + 1]))


def last_crossing(function: Function, level: float, grid_s: NDArray[np.float64], values: NDArray[np.float64]) -> float | None:
    """Last instant at which the function passes `level`; None if it never does."""
    above = values > level
    changes = np.flatnonzero(above[1:] != above[:-1])
    if not len(changes):
        return None
    return bisect(function, level, float(grid_s[changes[-1]]), float(grid_s[changes[-1] + 1]))
