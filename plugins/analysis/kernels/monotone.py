"""Monotone cubics through a few knots, and their inverse: see `preparation.monotone` for the sources."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .compiling import INT, MATRIX, NOTHING, OUT, OUT_MATRIX, VECTOR, compiled, inner

Array = NDArray[np.float64]


@inner
def _end(h0: float, h1: float, d0: float, d1: float) -> float:
    """Slope at an end, from the two chords next to it."""
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    if np.sign(slope) != np.sign(d0):
        return 0.0
    return 3 * d0 if np.sign(d0) != np.sign(d1) and abs(slope) > 3 * abs(d0) else slope


@compiled(NOTHING, VECTOR, MATRIX, OUT_MATRIX)
def slopes(x: Array, y: Array, out: Array) -> None:
    """[curve, n] slopes at the knots that keep each interpolant monotone.

    Args:
        x: [n] strictly ascending, n >= 2.
        y: [curve, n]
        out: [curve, n]
    """
    n = len(x)
    for c in range(y.shape[0]):
        if n == 2:
            out[c, :] = (y[c, 1] - y[c, 0]) / (x[1] - x[0])
            continue
        for k in range(1, n - 1):
            h0, h1 = x[k] - x[k - 1], x[k + 1] - x[k]
            left, right = (y[c, k] - y[c, k - 1]) / h0, (y[c, k + 1] - y[c, k]) / h1
            w1, w2 = 2 * h1 + h0, h1 + 2 * h0
            out[c, k] = (w1 + w2) / (w1 / left + w2 / right) if left * right > 0 else 0.0
        h0, h1 = x[1] - x[0], x[2] - x[1]
        out[c, 0] = _end(h0, h1, (y[c, 1] - y[c, 0]) / h0, (y[c, 2] - y[c, 1]) / h1)
        h0, h1 = x[n - 1] - x[n - 2], x[n - 2] - x[n - 3]
        out[c, n - 1] = _end(h0, h1, (y[c, n - 1] - y[c, n - 2]) / h0, (y[c, n - 2] - y[c, n - 3]) / h1)


@inner
def _interval(x: Any, at: float) -> int:
    """Index of the interval between knots that holds a place, or of the nearest one."""
    return min(max(int(np.searchsorted(x, at, side="right")) - 1, 0), len(x) - 2)


@compiled(NOTHING, VECTOR, MATRIX, MATRIX, VECTOR, OUT_MATRIX)
def interpolate(x: Array, y: Array, known: Array, at: Array, out: Array) -> None:
    """[curve, m] values between the knots; beyond them on a straight line with the end's chord slope.

    Args:
        x: [n]
        y: [curve, n]
        known: [curve, n] slopes at the knots.
        at: [m]
        out: [curve, m]
    """
    last = len(x) - 1
    for m in range(len(at)):
        i = _interval(x, at[m])
        h = x[i + 1] - x[i]
        s = (at[m] - x[i]) / h
        outside = at[m] < x[0] or at[m] > x[last]
        for c in range(y.shape[0]):
            y0, y1 = y[c, i], y[c, i + 1]
            if outside:
                out[c, m] = y0 + (y1 - y0) * s
                continue
            m0, m1 = known[c, i] * h, known[c, i + 1] * h
            inside = y0 * (1 + 2 * s) * (1 - s) ** 2 + m0 * s * (1 - s) ** 2
            out[c, m] = inside + y1 * s * s * (3 - 2 * s) + m1 * s * s * (s - 1)


@compiled(NOTHING, VECTOR, VECTOR, VECTOR, VECTOR, INT, OUT)
def invert(x: Array, y: Array, known: Array, values: Array, steps: int, out: Array) -> None:
    """[m] where one strictly increasing curve takes the values: Newton's steps within the interval, halved where one would
    leave what is known to hold the place.

    Args:
        x: [n]
        y: [n]
        known: [n] slopes at the knots.
        values: [m]
        steps: at most.
        out: [m]
    """
    last = len(y) - 1
    for m in range(len(values)):
        i = _interval(y, values[m])
        h, rise = x[i + 1] - x[i], max(y[i + 1] - y[i], 2.2250738585072014e-308)
        part = (values[m] - y[i]) / rise
        if values[m] < y[0] or values[m] > y[last] or math.isnan(part):
            out[m] = x[i] + part * h
            continue
        # s in 0..1 at which the cubic from (0, 0) with slope m0 to (1, 1) with slope m1 takes the part.
        m0, m1 = known[i] * h / rise, known[i + 1] * h / rise
        a, b = m0 + m1 - 2, 3 - 2 * m0 - m1
        want = min(max(part, 0.0), 1.0)
        s, low, high = want, 0.0, 1.0
        for _ in range(steps):
            miss = ((a * s + b) * s + m0) * s - want
            if miss < 0:
                low = s
            else:
                high = s
            new = s - miss / ((3 * a * s + 2 * b) * s + m0)
            if not (low <= new <= high):
                new = 0.5 * (low + high)
            moved, s = abs(new - s), new
            if moved < 1e-15:
                break
        out[m] = x[i] + s * h
