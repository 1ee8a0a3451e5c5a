"""Monotone data: pooling of adjacent violators, and cubic interpolation that never overshoots.

Sources: isotonic regression by pooling (Ayer et al. 1955); monotone piecewise cubic Hermite interpolation
(Fritsch and Carlson 1980) with the weighted harmonic slopes of Fritsch and Butland 1984.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def pool_adjacent_violators(values: Array, weights: Array) -> Array:
    """Nearest non-decreasing sequence in the weighted least-squares sense.

    Args:
        values: [n].
        weights: [n], positive.

    Returns:
        [n], non-decreasing; equal to `values` where those are already in order.
    """
    means: list[float] = []
    masses: list[float] = []
    counts: list[int] = []
    for value, weight in zip(values, weights, strict=True):
        means.append(float(value))
        masses.append(float(weight))
        counts.append(1)
        while len(means) > 1 and means[-2] > means[-1]:
            mass = masses[-2] + masses[-1]
            mean = (means[-2] * masses[-2] + means[-1] * masses[-1]) / mass
            means[-2:], masses[-2:], counts[-2:] = [mean], [mass], [counts[-2] + counts[-1]]
    return np.repeat(np.array(means), counts)


def hermite_slopes(x: Array, y: Array) -> Array:
    """Slopes at the knots that keep the interpolant monotone.

    Args:
        x: [n] strictly ascending, n >= 2.
        y: [..., n]; any number of curves over the same knots.

    Returns:
        [..., n].
    """
    from ..kernels.monotone import slopes

    rows = _rows(y)
    out = np.empty(rows.shape)
    slopes(_vector(x), rows, out)
    return out.reshape(np.shape(y))


def interpolate(x: Array, y: Array, at: Array, slopes: Array | None = None) -> Array:
    """Monotone cubic through the knots; beyond the ends a straight line with the end's chord slope.

    Args:
        x: [n] strictly ascending.
        y: [..., n].
        at: [m].
        slopes: of the knots, when they are known already.

    Returns:
        [..., m].
    """
    from ..kernels import monotone

    knots, rows, places = _vector(x), _rows(y), _vector(at)
    known = _rows(hermite_slopes(x, y) if slopes is None else slopes)
    out = np.empty((len(rows), len(places)))
    monotone.interpolate(knots, rows, known, places, out)
    return out.reshape((*np.shape(y)[:-1], len(places)))


def invert(x: Array, y: Array, values: Array, steps: int = 60, slopes: Array | None = None) -> Array:
    """Where `interpolate(x, y, .)` takes the given values, for one strictly increasing curve `y` [n].

    Newton's method within the knot interval, halving where a step would leave the bracket, so that the answer is as
    monotone as the curve; straight lines beyond the ends.
    """
    from ..kernels import monotone

    wanted = _vector(values)
    out = np.empty(len(wanted))
    known = hermite_slopes(x, np.asarray(y, dtype=np.float64)) if slopes is None else slopes
    monotone.invert(_vector(x), _vector(y), _vector(known), wanted, steps, out)
    return out


def _vector(values: Array) -> Array:
    return np.ascontiguousarray(values, dtype=np.float64)


def _rows(values: Array) -> Array:
    """[curve, n] any number of curves."""
    return np.ascontiguousarray(values, dtype=np.float64).reshape(-1, np.shape(values)[-1])
