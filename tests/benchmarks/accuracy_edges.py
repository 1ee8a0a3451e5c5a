"""Edges of the accuracy table, with their exact 10-90 % durations and Cramer-Rao bounds.

Every edge is s((t - t0) / scale) from 0 to 1. The bound is that of the duration with t0, scale and both state levels
unknown, and the shape known: Fisher information summed over the samples of the record (reference-checks 5.4). An
estimator that doesn't know the shape can't reach it everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc, ndtr

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shape:
    """One edge."""

    name: str
    edge: Callable[[Array], Array]
    """Of time in units of `scale`."""
    smooth: bool
    """Whether an average slope exists everywhere: corners make local fits work harder."""


def _exponential(x: Array) -> Array:
    return np.asarray(np.where(x > 0, -np.expm1(-np.clip(x, 0, None)), 0.0))


def _underdamped(x: Array, zeta: float = 0.5, omega: float = 2.0) -> Array:
    u = np.clip(x, 0, None) * omega
    root = math.sqrt(1 - zeta**2)
    return np.asarray(1 - np.exp(-zeta * u) * (np.cos(root * u) + zeta / root * np.sin(root * u)))


def _overdriven(x: Array) -> Array:
    """Driven towards 1.25 for a while, then towards 1: a kink near the end and a small overshoot, two poles a cell."""
    stop = 1.8
    first = 1.25 * gammainc(2, np.clip(x, 0, None) / 0.55)
    at = 1.25 * float(gammainc(2, stop / 0.55))
    then = 1 + (at - 1) * np.exp(-np.clip(x - stop, 0, None) / 0.6)
    return np.asarray(np.where(x <= 0, 0.0, np.where(x < stop, first, then)))


def _oled(x: Array) -> Array:
    """A fast pixel: raised cosine, then a first frame that is 2 % short."""
    fast = 0.5 - 0.5 * np.cos(np.pi * np.clip(x / 1.2, 0, 1))
    return np.asarray(fast * (1 - 0.02 * np.exp(-np.clip(x - 1.2, 0, None) / 1.0)))


SHAPES = (
    Shape("ramp", lambda x: np.clip(x / 2.7, 0, 1), False),
    Shape("exponential", _exponential, False),
    Shape("gaussian", lambda x: np.asarray(ndtr((x - 3) / 0.86)), True),
    Shape("raised cosine", lambda x: 0.5 - 0.5 * np.cos(np.pi * np.clip(x / 3.7, 0, 1)), True),
    Shape("cascade of 3", lambda x: np.asarray(gammainc(3, np.clip(x, 0, None) / 0.52)), True),
    Shape("underdamped", _underdamped, True),
    Shape("LCD, overdriven", _overdriven, False),
    Shape("OLED with dips", _oled, True),
)


def crossing(shape: Shape, level: float) -> float:
    """First time at which the edge passes a level, in units of scale."""
    x = np.linspace(-1, 20, 400_001)
    y = shape.edge(x)
    i = int(np.flatnonzero(y >= level)[0])
    low, high = x[i - 1], x[i]
    for _ in range(60):
        middle = 0.5 * (low + high)
        if shape.edge(np.array([middle]))[0] < level:
            low = middle
        else:
            high = middle
    return float(0.5 * (low + high))


def duration(shape: Shape) -> float:
    """Exact 10-90 % duration, in units of scale."""
    return crossing(shape, 0.9) - crossing(shape, 0.1)


def bound(shape: Shape, times: Array, onset: float, scale: float, noise: float) -> float:
    """Least standard deviation of an unbiased 10-90 % duration, in the unit of `times`.

    Args:
        noise: standard deviation a sample of the averaged trace, as a part of the step.
    """
    x = (times - onset) / scale
    h = 1e-5
    slope = (shape.edge(x + h) - shape.edge(x - h)) / (2 * h)
    y = shape.edge(x)
    # Derivatives with respect to t0, scale, lower level, upper level.
    d = np.stack([-slope / scale, -x * slope / scale, 1 - y, y])
    covariance = np.linalg.inv(d @ d.T / noise**2)
    return duration(shape) * math.sqrt(covariance[1, 1])
