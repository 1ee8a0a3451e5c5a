"""Instants at which a smooth function crosses a level: dense evaluation, then bisection.

Written for the truth alone and independent of every estimator: it may evaluate the function wherever it likes,
which no measurement can.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Function = Callable[[NDArray[np.float64]], NDArray[np.float64]]

SECTIONS = 64
"""Parts that a bracket is cut into at a time: as bisection, but one evaluation of many instants."""
ROUNDS = 6
"""Cuts: 64 to the sixth is 7e10, so a bracket of a millisecond ends far below a picosecond."""


def bisect(function: Function, level: float, low_s: float, high_s: float) -> float:
    """The instant between `low_s` and `high_s` at which the function passes `level`; the ends lie on opposite sides."""
    for _ in range(ROUNDS):
        instants = np.linspace(low_s, high_s, SECTIONS + 1)
        above = function(instants) > level
        turn = int(np.argmax(above != above[0]))
        if turn == 0:  # rounding: the ends have come too close to differ
            break
        low_s, high_s = float(instants[turn - 1]), float(instants[turn])
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
