"""Edges with a formula, with their derivatives: see `transition.models`, which numbers them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .compiling import FLOAT, INT, NOTHING, OUT, OUT_MATRIX, VECTOR, compiled, inner

Array = NDArray[np.float64]

EXPONENTIAL, RAMP, GAUSSIAN, RAISED_COSINE, THREE_POLES, FOUR_POLES, TWO_POLES, SECOND_ORDER = range(8)

FROM, TO, COARSE = -4.0, 12.0, 0.004
"""Times since the onset between which a passage is looked for, and the steps of the first look."""


@inner
def _positive(value: float) -> float:
    """Time constants are fitted freely and used by their size."""
    return max(abs(value), 1e-6)


@inner
def _equal_poles(x: float, poles: int) -> tuple[float, float]:
    """Value and slope in x of equal poles."""
    term, total = 1.0, 1.0
    for k in range(1, poles):
        term *= x / k
        total += term
    decay = math.exp(-x)
    return 1 - decay * total, decay * term


@inner
def _two_poles(t: float, a: float, ratio: float) -> tuple[float, float, float]:
    """Value, slope in t and in the ratio of the second time constant to the first, for t > 0."""
    b = a * ratio
    first, second = math.exp(-t / a), math.exp(-t / b)
    over, apart = a * first - b * second, a - b
    by_b = (second * (1 + t / b) * apart - over) / (apart * apart)
    return 1 - over / apart, (first - second) / apart, a * by_b


@inner
def _second_order(x: float, zeta: float) -> tuple[float, float, float]:
    """Value, slope in x and in the damping, for x > 0."""
    root = math.sqrt(1 - zeta * zeta)
    decay, c, s = math.exp(-zeta * x), math.cos(root * x), math.sin(root * x)
    left = decay * (c + zeta / root * s)
    turn = -zeta / root
    by_zeta = x * left - decay * (-s * x * turn + s / root**3 + zeta / root * c * x * turn)
    return 1 - left, decay * s / root, by_zeta


@inner
def _edge(kind: int, t: float, first: float, second: float) -> tuple[float, float, float, float]:
    """Value from 0 to 1 at a time since the onset, and its slopes in time and in the two parameters of shape."""
    a = _positive(first)
    sign = 1.0 if first >= 0 else -1.0
    value, slope, by_second = 0.0, 0.0, 0.0
    if kind == GAUSSIAN:
        z = t / a
        value, slope = 0.5 * math.erfc(-z / math.sqrt(2.0)), math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) / a
    elif kind == SECOND_ORDER:
        size = abs(second)
        zeta = min(max(size, 0.02), 0.999)
        if t > 0:
            value, by_x, by_zeta = _second_order(t * a, zeta)
            inside = (1.0 if second >= 0 else -1.0) if 0.02 < size < 0.999 else 0.0
            return value, by_x * a, by_x * t * sign, by_zeta * inside
        return 0.0, 0.0, 0.0, 0.0
    elif t > 0:
        x = t / a
        if kind == EXPONENTIAL:
            value, slope = -math.expm1(-x), math.exp(-x) / a
        elif kind == RAMP:
            value, slope = (x, 1 / a) if x < 1 else (1.0, 0.0)
        elif kind == RAISED_COSINE:
            value, slope = (
                (0.5 - 0.5 * math.cos(math.pi * x), 0.5 * math.pi * math.sin(math.pi * x) / a) if x < 1 else (1.0, 0.0)
            )
        elif kind == TWO_POLES:
            size = _positive(second)
            value, slope, by_ratio = _two_poles(t, a, min(size, 0.999))
            by_second = (by_ratio if second >= 0 else -by_ratio) if size < 0.999 else 0.0
        else:
            value, slope = _equal_poles(x, 3 if kind == THREE_POLES else 4)
            slope /= a
    # All of these depend on the time over the first parameter.
    return value, slope, -sign * slope * t / a, by_second


@compiled(NOTHING, INT, VECTOR, VECTOR, OUT, OUT_MATRIX)
def evaluate(kind: int, times: Array, parameters: Array, values: Array, jacobian: Array) -> None:
    """Light of an edge and its derivatives.

    Args:
        kind: number of the formula.
        times: [n]
        parameters: onset, lower level, upper level, one or two of shape.
        values: [n] gets the light.
        jacobian: [n, parameter] gets its derivatives.
    """
    onset, low, high = parameters[0], parameters[1], parameters[2]
    step, two = high - low, len(parameters) > 4
    second = parameters[4] if two else 0.0
    for i in range(len(times)):
        value, slope, by_first, by_second = _edge(kind, times[i] - onset, parameters[3], second)
        values[i] = low + step * value
        jacobian[i, 0] = -step * slope
        jacobian[i, 1] = 1 - value
        jacobian[i, 2] = value
        jacobian[i, 3] = step * by_first
        if two:
            jacobian[i, 4] = step * by_second


@compiled(NOTHING, INT, VECTOR, FLOAT, FLOAT, OUT)
def edge(kind: int, times: Array, first: float, second: float, values: Array) -> None:
    """Values from 0 to 1 at times since the onset, by the parameters of shape."""
    for i in range(len(times)):
        values[i] = _edge(kind, times[i], first, second)[0]


@compiled(FLOAT, INT, FLOAT, FLOAT, FLOAT)
def passage(kind: int, first: float, second: float, ratio: float) -> float:
    """Time since the onset at which the edge first passes a level; NaN when it never does."""
    steps = round((TO - FROM) / COARSE)
    # Nothing but the Gaussian moves before its onset.
    begin = 0 if kind == GAUSSIAN else round(-FROM / COARSE)
    for k in range(begin, steps + 1):
        high = FROM + k * COARSE
        if _edge(kind, high, first, second)[0] >= ratio:
            low = high - COARSE
            for _ in range(48):
                middle = 0.5 * (low + high)
                if _edge(kind, middle, first, second)[0] >= ratio:
                    high = middle
                else:
                    low = middle
            return 0.5 * (low + high)
    return math.nan
