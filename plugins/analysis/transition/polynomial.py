"""Polynomials fitted to windows of a trace by least squares: all that can be known of them before a trace is seen, and what
blurred the trace.

Known smearing is undone in the polynomial itself: a sensor of n equal poles of time constant T is inverted by
(1 + T d/dt)^n, a centred moving window of length W by 1 - (W^2/24) d^2/dt^2 (first term of its inverse).
"""

from __future__ import annotations

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
MOST = 64
"""Windows of a nest: the last is 3.8 million samples wide to each side."""


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


@dataclass(frozen=True)
class Tables:
    """A nest of windows that grow by `GROWTH`. Polynomials are in x = i / half, i samples from the middle."""

    halves: NDArray[np.int64]
    """[window] half widths, rising."""
    cubic: Array
    """[window, 4, 4] from sums of samples times powers of x to the coefficients of a cubic, smearing undone."""
    variances: Array
    """[window, 7] coefficients of the variance of the cubic at x, a polynomial in x; for unit noise."""
    slopes: Array
    """[window] standard deviation of the cubic's slope in the middle, a sample, for unit noise."""
    quintic: Array
    """[window, TERMS, TERMS] the same as `cubic` for the final polynomial."""
    gram: Array
    """[window, TERMS, TERMS] covariance of the coefficients of the final polynomial, for unit noise."""
    without_sensor: Array
    """`quintic` with the sensor's poles not undone."""
    without_window: Array
    """`quintic` with the moving window not undone."""


@lru_cache(maxsize=64)
def tables_of(smear: Smear = SHARP) -> Tables:
    """The nest of windows for one smearing."""
    halves = np.array([round(NARROWEST * GROWTH**k) for k in range(MOST)], dtype=np.int64)
    sums = np.array([_power_sums(int(half)) for half in halves])
    cubic, spread = _solved(halves, sums, 4, smear)
    quintic, gram = _solved(halves, sums, TERMS, smear)
    without_sensor = _solved(halves, sums, TERMS, Smear(window=smear.window))[0] if smear.poles else quintic
    without_window = _solved(halves, sums, TERMS, Smear(smear.pole, smear.poles))[0] if smear.window else quintic
    along = np.stack([sum(spread[:, j, k - j] for j in range(max(0, k - 3), min(4, k + 1))) for k in range(7)], axis=1)
    slopes = np.sqrt(spread[:, 1, 1]) / halves
    return Tables(halves, cubic, np.ascontiguousarray(along), slopes, quintic, gram, without_sensor, without_window)


def _solved(halves: NDArray[np.int64], sums: Array, terms: int, smear: Smear) -> tuple[Array, Array]:
    """[window, terms, terms] from moments to coefficients, and covariance of these for unit noise."""
    normal = np.zeros((len(halves), terms, terms))
    for j in range(terms):
        # Sums of odd powers vanish.
        for k in range(j % 2, terms, 2):
            normal[:, j, k] = sums[:, (j + k) // 2]
    undo = np.stack([smear.matrix(float(half), terms) for half in halves])
    covariance = np.linalg.inv(normal)
    return np.ascontiguousarray(undo @ covariance), np.ascontiguousarray(undo @ covariance @ undo.transpose(0, 2, 1))


def _power_sums(n: int) -> list[float]:
    """Sums of (i / n)^k over -n <= i <= n for k = 0, 2, 4, ... 10 (Faulhaber), from whole numbers."""
    two = n * (n + 1) * (2 * n + 1)
    four = two * (3 * n**2 + 3 * n - 1)
    six = two * (3 * n**4 + 6 * n**3 - 3 * n + 1)
    eight = two * (5 * n**6 + 15 * n**5 + 5 * n**4 - 15 * n**3 - n**2 + 9 * n - 3)
    ten = two * (n**2 + n - 1) * (3 * n**6 + 9 * n**5 + 2 * n**4 - 11 * n**3 + 3 * n**2 + 10 * n - 5)
    exact = [(two, 3, 2), (four, 15, 4), (six, 21, 6), (eight, 45, 8), (ten, 33, 10)]
    return [2.0 * n + 1, *(total / (divisor * n**power) for total, divisor, power in exact)]
