"""Edges with a formula, for fits: each rises from 0 to 1 and has a few parameters of shape besides its onset."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Model:
    """One family of edges. Times are in units of the 10-90 duration that was seen, so that all parameters are near one."""

    name: str
    edge: Callable[[Array, Array], Array]
    """(time since onset [n], shape parameters [p]) -> [n] from 0 to 1."""
    start: tuple[float, ...]
    """First guess of the shape parameters."""
    onset: float
    """First guess of the onset before the 50 % instant."""


def _positive(value: float) -> float:
    """Time constants are fitted freely and used by their size."""
    return max(abs(value), 1e-6)


def _exponential(t: Array, p: Array) -> Array:
    return np.asarray(np.where(t > 0, -np.expm1(-np.maximum(t, 0) / _positive(p[0])), 0.0))


def _two_poles(t: Array, p: Array) -> Array:
    """Two real poles; nearly equal ones by their confluent form."""
    a, b = _positive(p[0]), _positive(p[0]) * min(_positive(p[1]), 0.999)
    x = np.maximum(t, 0)
    return np.asarray(1 - (a * np.exp(-x / a) - b * np.exp(-x / b)) / (a - b))


def _cascade(poles: int) -> Callable[[Array, Array], Array]:
    def edge(t: Array, p: Array) -> Array:
        from scipy.special import gammainc

        return np.asarray(gammainc(poles, np.maximum(t, 0) / _positive(p[0])))

    return edge


def _gaussian(t: Array, p: Array) -> Array:
    from scipy.special import ndtr

    return np.asarray(ndtr(t / _positive(p[0])))


def _ramp(t: Array, p: Array) -> Array:
    return np.asarray(np.clip(t / _positive(p[0]), 0, 1))


def _raised_cosine(t: Array, p: Array) -> Array:
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(t / _positive(p[0]), 0, 1)))


def _second_order(t: Array, p: Array) -> Array:
    zeta = min(max(abs(p[1]), 0.02), 0.999)
    x = np.maximum(t, 0) * _positive(p[0])
    root = np.sqrt(1 - zeta**2)
    return np.asarray(1 - np.exp(-zeta * x) * (np.cos(root * x) + zeta / root * np.sin(root * x)))


MODELS: tuple[Model, ...] = (
    Model("exponential", _exponential, (0.455,), 0.32),
    Model("ramp", _ramp, (1.25,), 0.62),
    Model("Gaussian", _gaussian, (0.39,), 0.0),
    Model("raised cosine", _raised_cosine, (1.69,), 0.85),
    Model("3 equal poles", _cascade(3), (0.237,), 0.63),
    Model("4 equal poles", _cascade(4), (0.203,), 0.74),
    Model("2 poles", _two_poles, (0.4, 0.4), 0.45),
    Model("second order", _second_order, (1.64, 0.5), 0.8),
)
"""Families that are tried, simplest first."""
