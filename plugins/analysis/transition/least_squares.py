"""Nonlinear least squares with standard deviations, checked against the NIST Statistical Reference Datasets."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Fitted:
    """Result of a fit."""

    parameters: Array
    """[parameter]"""
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


def fit(model: Callable[[Array], Array], values: Array, start: Array, noise: float | None = None) -> Fitted:
    """Least-squares fit.

    Args:
        model: parameters [p] -> values [n].
        values: [n].
        start: [p] first guess.
        noise: standard deviation of a point; None: from the residuals.
    """
    from scipy.optimize import least_squares

    scale = 1.0 if noise is None else noise
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        found = least_squares(
            lambda p: (np.nan_to_num(model(p), nan=1e6, posinf=1e6, neginf=-1e6) - values) / scale,
            start,
            jac="3-point",
            x_scale="jac",
            method="trf",
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
            max_nfev=400,
        )
    best, jacobian = _polished(model, values, found.x)
    residual = (values - model(best)) / scale
    rss, dof = float(residual @ residual), len(values) - len(start)
    variance = rss / dof if noise is None and dof > 0 else scale * scale
    return Fitted(best, _inverse_normal(jacobian) * variance, rss, dof, jacobian, bool(found.success))


def rough_fit(model: Callable[[Array], Array], values: Array, start: Array, noise: float, rounds: int = 40) -> Fitted:
    """The same by damped steps (Marquardt 1963) that end when the sum of squares falls by less than a thousandth: enough to see
    whether a model is anywhere near, at a tenth of the price.

    Args:
        noise: standard deviation of a point.
    """
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        best, damping, idle = start, 1e-3, 0
        residual = values - model(best)
        cost = float(residual @ residual)
        jacobian = _jacobian(model, best)
        for _ in range(rounds):
            normal, pull = jacobian.T @ jacobian, jacobian.T @ residual
            weight = np.diag(np.maximum(np.diag(normal), 1e-30))
            tried = best + np.linalg.lstsq(normal + damping * weight, pull, rcond=None)[0]
            left = values - model(tried)
            now = float(left @ left)
            if not now < cost:
                damping, idle = damping * 8, idle + 1
            else:
                idle = idle + 1 if now > 0.999 * cost else 0
                best, residual, cost, damping = tried, left, now, damping / 8
                jacobian = _jacobian(model, best)
            if idle > 4 or cost == 0:
                break
    dof = len(values) - len(start)
    return Fitted(best, _inverse_normal(jacobian) * noise**2, cost / noise**2, dof, jacobian, idle > 0)


def _jacobian(model: Callable[[Array], Array], at: Array) -> Array:
    """[point, parameter] by central differences with the step that is best for double precision."""
    columns = []
    for i, value in enumerate(at):
        step = np.finfo(float).eps ** (1 / 3) * max(abs(value), 1e-8)
        up, down = at.copy(), at.copy()
        up[i], down[i] = value + step, value - step
        columns.append((model(up) - model(down)) / (up[i] - down[i]))
    return np.stack(columns, axis=1)


def _polished(model: Callable[[Array], Array], values: Array, start: Array, steps: int = 3) -> tuple[Array, Array]:
    """A few Gauss-Newton steps from a minimum that was found to about 7 digits; each is kept only when it does no harm."""
    best, jacobian = start, _jacobian(model, start)
    cost = float(((values - model(best)) ** 2).sum())
    for _ in range(steps):
        size = np.linalg.norm(jacobian, axis=0)
        size = np.where(size > 0, size, 1.0)
        step = np.linalg.lstsq(jacobian / size, values - model(best), rcond=None)[0] / size
        tried = float(((values - model(best + step)) ** 2).sum())
        if not tried <= cost:
            break
        best, cost = best + step, tried
        jacobian = _jacobian(model, best)
    return best, jacobian


def _inverse_normal(jacobian: Array) -> Array:
    """(J^T J)^-1 with the columns scaled first: parameters may differ by many powers of ten."""
    size = np.linalg.norm(jacobian, axis=0)
    size = np.where(size > 0, size, 1.0)
    half = np.linalg.pinv(jacobian / size) / size[:, None]
    return np.asarray(half @ half.T)


def chi_square_chance(rss: float, dof: int) -> float:
    """Chance that a right model leaves residuals this large or larger."""
    from scipy.special import gammaincc

    return float(gammaincc(dof / 2, rss / 2)) if dof > 0 else 0.0
