"""Polynomials fitted to windows of a trace by least squares: weights, nests of windows by running sums, roots, and what
blurred the trace.

Known smearing is undone in the polynomial itself: a sensor of n equal poles of time constant T is inverted by
(1 + T d/dt)^n, a centred moving window of length W by 1 - (W^2/24) d^2/dt^2 (first term of its inverse).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GROWTH = 1.25
"""Ratio of one window to the next."""
NARROWEST = 3
"""Half width of the first window, in samples: 7 samples for 6 coefficients."""
TERMS = 6
"""Coefficients of the final polynomial."""


@dataclass(frozen=True)
class Smear:
    """What blurred the trace, in samples."""

    pole: float = 0.0
    """Time constant of each pole of the sensor."""
    poles: int = 0
    window: float = 0.0
    """Length of a centred moving window."""

    def matrix(self, half: float, terms: int = 4) -> Array:
        """[terms, terms] inverse smearing on the coefficients of a polynomial in x = samples / half."""
        d = np.diag(np.arange(1.0, terms), 1) / half
        out = np.eye(terms)
        for _ in range(self.poles):
            out = out @ (np.eye(terms) + self.pole * d)
        return out @ (np.eye(terms) - self.window**2 / 24 * (d @ d))


SHARP = Smear()


@lru_cache(maxsize=512)
def weights(half: int, smear: Smear = SHARP) -> Array:
    """[TERMS, 2 half + 1] least-squares weights that turn samples into the coefficients of a polynomial in x = i / half."""
    x = np.arange(-half, half + 1) / half
    design = np.vander(x, TERMS, increasing=True)
    out = smear.matrix(half, TERMS) @ np.linalg.solve(design.T @ design, design.T)
    out.flags.writeable = False
    return np.asarray(out)


@dataclass(frozen=True)
class Windows:
    """Cubics of a nest of windows around one sample."""

    halves: NDArray[np.int64]
    fits: Array
    """[window, 4]"""
    covariances: Array
    """[window, 4, 4] for unit noise."""


@lru_cache(maxsize=64)
def _halves(widest: int) -> NDArray[np.int64]:
    count = max(1, math.ceil(math.log(max(widest, NARROWEST) / NARROWEST) / math.log(GROWTH)) + 1)
    grown = np.rint(NARROWEST * GROWTH ** np.arange(count)).astype(np.int64)
    return np.unique(np.minimum(grown, widest))


@lru_cache(maxsize=64)
def _design(widest: int, smear: Smear) -> tuple[Array, ...]:
    """Sums of powers, covariances and smearing matrices of all windows up to a width."""
    halves = _halves(widest)
    h = halves.astype(np.float64)
    i = np.arange(widest + 1, dtype=np.float64)
    sums = []
    for k in (0, 2, 4, 6):
        total = np.cumsum(2 * i**k)[halves] - (1.0 if k == 0 else 0.0)
        sums.append(total / h**k)
    s0, s2, s4, s6 = sums
    even, odd = s0 * s4 - s2 * s2, s2 * s6 - s4 * s4
    cov = np.zeros((len(h), 4, 4))
    cov[:, 0, 0], cov[:, 0, 2], cov[:, 2, 0], cov[:, 2, 2] = s4 / even, -s2 / even, -s2 / even, s0 / even
    cov[:, 1, 1], cov[:, 1, 3], cov[:, 3, 1], cov[:, 3, 3] = s6 / odd, -s4 / odd, -s4 / odd, s2 / odd
    undo = np.stack([smear.matrix(float(x)) for x in h])
    return i, s0, s2, s4, s6, even, odd, cov, undo @ cov @ undo.transpose(0, 2, 1), undo


def fit_windows(trace: Array, centre: int, widest: int, smear: Smear = SHARP) -> Windows:
    """Cubics of all windows around a sample, by running sums: the cost is that of the widest one."""
    halves = _halves(widest)
    i, s0, s2, s4, s6, even, odd, _, cov, undo = _design(widest, smear)
    h = halves.astype(np.float64)
    right = trace[centre : centre + widest + 1]
    left = trace[centre - widest : centre + 1][::-1]
    both, apart = right + left, right - left
    i2 = i * i
    b0 = np.cumsum(both)[halves] - right[0]
    b2 = np.cumsum(both * i2)[halves] / h**2
    b1 = np.cumsum(apart * i)[halves] / h
    b3 = np.cumsum(apart * i2 * i)[halves] / h**3
    fits = np.stack(
        [(s4 * b0 - s2 * b2) / even, (s6 * b1 - s4 * b3) / odd, (s0 * b2 - s2 * b0) / even, (s2 * b3 - s4 * b1) / odd], axis=1
    )
    if smear != SHARP:
        fits = np.einsum("wij,wj->wi", undo, fits)
    return Windows(halves, fits, cov)


def powers(x: Array, terms: int = 4) -> Array:
    """[..., terms] of 1, x, x^2, ..."""
    return np.asarray(np.asarray(x, dtype=np.float64)[..., None] ** np.arange(terms))


def root(
    coefficients: Array,
    level: Array | float,
    guess: Array | float = 0.0,
    limit: float = 1.0,
    steps: int = 12,
    close: float = 1e-12,
) -> Array:
    """Where polynomials take a level, nearest to a guess; NaN where Newton's steps leave the window or don't converge.

    Args:
        coefficients: [..., terms] of 1, x, x^2, ...
        level: [...].
        guess: start.
        limit: |x| beyond which there is no answer.
        steps: at most so many.
        close: a last step smaller than this has converged.
    """
    a = [coefficients[..., k] for k in range(coefficients.shape[-1])]
    a[0] = a[0] - level
    x = np.zeros(a[0].shape) + guess
    change = np.full(a[0].shape, np.inf)
    with np.errstate(all="ignore"):
        for _ in range(steps):
            value, slope = _horner(a, x)
            change = value / slope
            # A step longer than the window is no step towards a crossing in it.
            change = np.minimum(np.maximum(change, -limit), limit)
            x = x - change
            if not (np.abs(change) >= close).any():
                break
        good = (np.abs(change) < 100 * close) & (np.abs(x) <= limit)
    return np.where(good, x, np.nan)


def one_root(coefficients: Array, guess: float, limit: float = 1.0) -> float:
    """`root` of one polynomial at zero, in plain numbers: ten times as fast."""
    a = coefficients.tolist()
    x = guess
    for _ in range(20):
        value, slope = a[-1], 0.0
        for term in a[-2::-1]:
            slope = slope * x + value
            value = value * x + term
        if slope == 0.0:
            return math.nan
        change = min(max(value / slope, -limit), limit)
        x -= change
        if abs(change) < 1e-12:
            return x if abs(x) <= limit else math.nan
    return math.nan


def _horner(a: list[Array], x: Array) -> tuple[Array, Array]:
    """Value and slope of polynomials."""
    value, slope = a[-1], 0.0 * a[-1]
    for term in a[-2::-1]:
        slope = slope * x + value
        value = value * x + term
    return value, slope
