"""Nonlinear least squares with standard deviations, checked against the NIST Statistical Reference Datasets."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Evaluate = Callable[[Array], tuple[Array, Array]]
"""Parameters [p] -> values [n] and their derivatives [n, p]."""

LEAST_DAMPING = 1e-12
"""With less, rounding decides where parameters depend on each other."""
PATIENCE = 5
"""Steps without a gain that count, after which a descent ends."""


@dataclass(frozen=True)
class Fitted:
    """Result of a fit."""

    parameters: Array
    """[parameter]"""
    inverse: Array
    """[parameter, parameter] inverse of the normal equations, J^T J."""
    covariance: Array
    """[parameter, parameter], scaled by the residual variance where no noise was given, else by the noise."""
    rss: float
    """Sum of squared residuals, in units of the noise where it was given."""
    dof: int
    """Points less parameters."""
    jacobian: Array
    """[point, parameter] of the model, not weighted."""
    converged: bool

    @property
    def deviations(self) -> Array:
        """[parameter] standard deviations."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def residual_deviation(self) -> float:
        """s = sqrt(rss / dof)."""
        return math.sqrt(self.rss / self.dof) if self.dof > 0 else math.nan


def fit(model: Evaluate, values: Array, start: Array, noise: float | None = None, rounds: int = 400) -> Fitted:
    """Least-squares fit: damped steps (Marquardt 1963) to where none gains, then plain ones (Gauss, Newton) to the last digits.

    No step is longer than the parameters themselves, so that a bad start does not end far outside (BoxBOD's first one does,
    with MINPACK's usual limit of 100 times as much).

    Args:
        model: values and their derivatives.
        values: [n].
        start: [p] first guess.
        noise: standard deviation of a point; None: from the residuals.
        rounds: damped steps at most.
    """
    best, converged, _ = _descended(model, values, start, 1e-12, rounds)
    return _fitted(model, values, _polished(model, values, best), converged, noise)


def rough_fit(model: Evaluate, values: Array, start: Array, noise: float, rounds: int = 40) -> tuple[Array, float]:
    """The same until the sum of squares falls by less than a thousandth a step: enough to see whether a model is anywhere near.

    Args:
        noise: standard deviation of a point.

    Returns:
        [parameter] and the sum of squared residuals in units of the noise.
    """
    best, _, cost = _descended(model, values, start, 1e-3, rounds)
    return best, cost / noise**2


def _descended(model: Evaluate, values: Array, start: Array, gain: float, rounds: int) -> tuple[Array, bool, float]:
    """Parameters from which no step gains more than a part of the sum of squares, whether that was seen, and that sum."""
    from ..kernels.descent import damped_step

    best, damping, idle, step = start, 1e-3, 0, np.empty(len(start))
    with np.errstate(all="ignore"):
        light, jacobian = model(best)
        residual = values - light
        cost = float(residual @ residual)
        for _ in range(rounds):
            now = math.nan
            if damped_step(jacobian, residual, best, damping, step):
                tried = best + step
                light, slopes = model(tried)
                left = values - light
                now = float(left @ left)
            # Also where it is no number: a step that led there is too long.
            if not now < cost:
                damping, idle = damping * 8, idle + 1
            else:
                idle = idle + 1 if now > (1 - gain) * cost else 0
                best, residual, jacobian, cost, damping = tried, left, slopes, now, max(damping / 8, LEAST_DAMPING)
            if idle >= PATIENCE or cost == 0:
                break
    return best, idle > 0 or cost == 0, cost if math.isfinite(cost) else math.inf


def _scaled_normal(jacobian: Array) -> tuple[Array, Array]:
    """J^T J with ones on its diagonal, and the size of each column."""
    normal = jacobian.T @ jacobian
    size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    return normal / np.outer(size, size), size


def _polished(model: Evaluate, values: Array, start: Array, steps: int = 4) -> Array:
    """A few plain steps, each of which is kept only when it does no harm."""
    best = start
    with np.errstate(all="ignore"):
        light, jacobian = model(best)
        residual = values - light
        for _ in range(steps):
            tried = best + _inverse_normal(jacobian) @ (jacobian.T @ residual)
            light, slopes = model(tried)
            left = values - light
            if not float(left @ left) <= float(residual @ residual):
                break
            best, jacobian, residual = tried, slopes, left
    return best


def _fitted(model: Evaluate, values: Array, best: Array, converged: bool, noise: float | None) -> Fitted:
    with np.errstate(all="ignore"):
        light, jacobian = model(best)
    scale = 1.0 if noise is None else noise
    residual = (values - light) / scale
    cost, dof = float(residual @ residual), len(values) - len(best)
    rss = cost if math.isfinite(cost) else math.inf
    inverse = _inverse_normal(jacobian)
    variance = rss / dof if noise is None and dof > 0 else scale * scale
    return Fitted(best, inverse, inverse * variance, rss, dof, jacobian, converged)


def _inverse_normal(jacobian: Array) -> Array:
    """(J^T J)^-1; what the data don't tell counts as known."""
    normal, size = _scaled_normal(jacobian)
    if not np.isfinite(normal).all():
        return np.full_like(normal, np.nan)
    return np.asarray(np.linalg.pinv(normal, rcond=1e-14, hermitian=True) / np.outer(size, size))


def chi_square_chance(rss: float, dof: int) -> float:
    """Chance that a right model leaves residuals this large or larger."""
    from scipy.special import gammaincc

    return float(gammaincc(dof / 2, rss / 2)) if dof > 0 else 0.0
