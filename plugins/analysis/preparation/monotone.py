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
    h = np.diff(x)
    d = np.diff(y, axis=-1) / h
    if len(x) == 2:
        return np.concatenate([d, d], axis=-1)
    slopes = np.zeros_like(y)
    left, right = d[..., :-1], d[..., 1:]
    w1, w2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
    same = left * right > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (w1 + w2) / (w1 / left + w2 / right)
    slopes[..., 1:-1] = np.where(same, mean, 0.0)
    slopes[..., 0] = _end_slope(h[0], h[1], d[..., 0], d[..., 1])
    slopes[..., -1] = _end_slope(h[-1], h[-2], d[..., -1], d[..., -2])
    return slopes


def _end_slope(h0: float, h1: float, d0: Array, d1: Array) -> Array:
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    slope = np.where(np.sign(slope) != np.sign(d0), 0.0, slope)
    limit = (np.sign(d0) != np.sign(d1)) & (np.abs(slope) > 3 * np.abs(d0))
    return np.asarray(np.where(limit, 3 * d0, slope))


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
    at = np.asarray(at, dtype=np.float64)
    slopes = hermite_slopes(x, y) if slopes is None else slopes
    i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    h = x[i + 1] - x[i]
    s = (at - x[i]) / h
    y0, y1 = y[..., i], y[..., i + 1]
    m0, m1 = slopes[..., i] * h, slopes[..., i + 1] * h
    inside = y0 * (1 + 2 * s) * (1 - s) ** 2 + m0 * s * (1 - s) ** 2 + y1 * s * s * (3 - 2 * s) + m1 * s * s * (s - 1)
    line = y0 + (y1 - y0) * s
    return np.asarray(np.where((at < x[0]) | (at > x[-1]), line, inside))


def invert(x: Array, y: Array, values: Array, steps: int = 60, slopes: Array | None = None) -> Array:
    """Where `interpolate(x, y, .)` takes the given values, for one strictly increasing curve `y` [n].

    Newton's method within the knot interval, halving where a step would leave the bracket, so that the answer is as
    monotone as the curve; straight lines beyond the ends.
    """
    values = np.asarray(values, dtype=np.float64)
    i = np.clip(np.searchsorted(y, values, side="right") - 1, 0, len(y) - 2)
    h = np.diff(x)
    slopes = hermite_slopes(x, np.asarray(y, dtype=np.float64)) if slopes is None else slopes
    rise = np.maximum(np.diff(y), np.finfo(float).tiny)
    m0, m1 = slopes[:-1] * h / rise, slopes[1:] * h / rise
    want = (values - y[i]) / rise[i]  # part of the interval's rise
    s = _unit_cubic_root(m0[i], m1[i], np.clip(want, 0.0, 1.0), steps)
    outside = (values < y[0]) | (values > y[-1])
    return np.asarray(x[i] + np.where(outside, want, s) * h[i])


def _unit_cubic_root(m0: Array, m1: Array, want: Array, steps: int) -> Array:
    """s in [0, 1] at which the monotone cubic from (0, 0) with slope m0 to (1, 1) with slope m1 takes a value."""
    a, b = m0 + m1 - 2, 3 - 2 * m0 - m1
    low, high = np.zeros_like(want), np.ones_like(want)
    s = want.copy()
    for _ in range(steps):
        miss = ((a * s + b) * s + m0) * s - want
        np.copyto(low, s, where=miss < 0)
        np.copyto(high, s, where=miss >= 0)
        slope = (3 * a * s + 2 * b) * s + m0
        with np.errstate(divide="ignore", invalid="ignore"):
            step = s - miss / slope
        new = np.where((step >= low) & (step <= high), step, 0.5 * (low + high))
        if np.max(np.abs(new - s), initial=0.0) < 1e-15:
            return new
        s = new
    return s
