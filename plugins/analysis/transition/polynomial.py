"""Polynomials fitted to windows of a trace by least squares: weights, nests of windows by running sums, roots, and what
blurred the trace.

Known smearing is undone in the polynomial itself: a sensor of n equal poles of time constant T is inverted by
(1 + T d/dt)^n, a centred moving window of length W by 1 - (W^2/24) d^2/dt^2 (first term of its inverse).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

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


@lru_cache(maxsize=512)
def gram(half: int, smear: Smear = SHARP) -> Array:
    """[TERMS, TERMS] covariance of the coefficients that `weights` gives, for unit noise."""
    lines = weights(half, smear)
    return np.asarray(lines @ lines.T)


@dataclass(frozen=True)
class Nest:
    """A nest of windows around one sample: what does not depend on the trace."""

    halves: NDArray[np.int64]
    """[window] half widths, rising."""
    widths: Array
    """[window] the same as floats."""
    solve: Array
    """[window, 4, 4] from sums of samples times powers of (i / half) to the coefficients of a cubic, smearing undone."""
    covariances: Array
    """[window, 4, 4] of the coefficients, for unit noise."""
    variances: Array
    """[7, window] coefficients of the variance of the cubic at x, a polynomial in x; for unit noise."""
    slopes: Array
    """[window] standard deviation of the slope in the middle, a sample, for unit noise."""

    @cached_property
    def starts(self) -> NDArray[np.intp]:
        """[window] first distance from the middle that a window holds and the one before does not."""
        return np.append(0, self.halves[:-1] + 1)

    @cached_property
    def scales(self) -> Array:
        """[4, window] powers 0 to 3 of the widths."""
        return np.stack([self.widths**k for k in range(4)])


@dataclass(frozen=True)
class Windows:
    """Cubics of a nest of windows around one sample."""

    nest: Nest
    fits: Array
    """[window, 4]"""

    @property
    def halves(self) -> NDArray[np.int64]:
        """[window] half widths, rising."""
        return self.nest.halves


def _windows(halves: list[int], smear: Smear) -> Nest:
    """All that can be known of windows before a trace is seen. The sums of powers are those of whole numbers, exact."""
    h = np.array(halves, dtype=np.float64)
    s0, s2, s4, s6 = (np.array(column) for column in zip(*(_power_sums(n) for n in halves), strict=True))
    even, odd = s0 * s4 - s2 * s2, s2 * s6 - s4 * s4
    cov = np.zeros((len(h), 4, 4))
    cov[:, 0, 0], cov[:, 0, 2], cov[:, 2, 0], cov[:, 2, 2] = s4 / even, -s2 / even, -s2 / even, s0 / even
    cov[:, 1, 1], cov[:, 1, 3], cov[:, 3, 1], cov[:, 3, 3] = s6 / odd, -s4 / odd, -s4 / odd, s2 / odd
    undo = np.stack([smear.matrix(float(x)) for x in h])
    spread = undo @ cov @ undo.transpose(0, 2, 1)
    along = np.stack([sum(spread[:, j, k - j] for j in range(max(0, k - 3), min(4, k + 1))) for k in range(7)])
    return Nest(np.array(halves, dtype=np.int64), h, undo @ cov, spread, along, np.sqrt(spread[:, 1, 1]) / h)


def _power_sums(n: int) -> tuple[float, float, float, float]:
    """Sums of (i / n)^k over -n <= i <= n for k = 0, 2, 4, 6 (Faulhaber)."""
    first = n * (n + 1) * (2 * n + 1)
    fourth = first * (3 * n * n + 3 * n - 1)
    sixth = first * (3 * n**4 + 6 * n**3 - 3 * n + 1)
    return 2.0 * n + 1, first / (3 * n**2), fourth / (15 * n**4), sixth / (21 * n**6)


_MOST = 64
"""Windows of a nest at most: the last is 3.8 million samples wide to each side."""


@lru_cache(maxsize=16)
def _grown(smear: Smear) -> Nest:
    """Windows that grow by `GROWTH`, far beyond any record."""
    return _windows([round(NARROWEST * GROWTH**k) for k in range(_MOST)], smear)


@lru_cache(maxsize=1024)
def nest_of(widest: int, smear: Smear = SHARP) -> Nest:
    """Windows that grow by `GROWTH` until the widest one. All but that one are the same for every width."""
    grown = _grown(smear)
    n = int(np.searchsorted(grown.halves, widest))
    last = _windows([widest], smear)
    return Nest(
        np.append(grown.halves[:n], last.halves),
        np.append(grown.widths[:n], last.widths),
        np.concatenate([grown.solve[:n], last.solve]),
        np.concatenate([grown.covariances[:n], last.covariances]),
        np.concatenate([grown.variances[:, :n], last.variances], axis=1),
        np.append(grown.slopes[:n], last.slopes),
    )


@lru_cache(maxsize=4)
def _numbers(size: int) -> Array:
    """[3, size] the whole numbers from 0, their squares and cubes."""
    i = np.arange(size, dtype=np.float64)
    return np.stack([i, i * i, i * i * i])


def fit_windows(trace: Array, centre: int, widest: int, smear: Smear = SHARP) -> Windows:
    """Cubics of all windows around a sample, by running sums: the cost is that of the widest one."""
    nest = nest_of(widest, smear)
    n = widest + 1
    first, second, third = _numbers(1 << widest.bit_length())[:, :n]
    right, left = trace[centre : centre + n], trace[centre - widest : centre + 1][::-1]
    sums = np.empty((4, n))
    both, apart = sums[0], sums[1]
    np.add(right, left, out=both)
    np.subtract(right, left, out=apart)
    both[0] = right[0]
    np.multiply(both, second, out=sums[2])
    np.multiply(apart, third, out=sums[3])
    apart *= first
    # Sums between one window's edge and the next, then of all within: sums of powers 0, 1, 2, 3 of i.
    moments = np.add.reduceat(sums, nest.starts, axis=1).cumsum(axis=1)
    moments /= nest.scales
    return Windows(nest, np.einsum("wij,jw->iw", nest.solve, moments).T)


def powers(x: Array | float, terms: int = 4) -> Array:
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
    a = list(np.moveaxis(coefficients, -1, 0))
    a[0] = a[0] - level
    # At a guess of zero value and slope are coefficients.
    at_zero = isinstance(guess, float) and guess == 0.0
    x: Array | float = 0.0 if at_zero else np.zeros(a[0].shape) + guess
    with np.errstate(all="ignore"):
        for step in range(steps):
            value, slope = (a[0], a[1]) if at_zero and step == 0 else _horner(a, x)
            change = value / slope
            # A step longer than the window is no step towards a crossing in it.
            change = np.minimum(np.maximum(change, -limit), limit)
            x = x - change
            size = np.abs(change)
            if not (size >= close).any():
                break
        return np.where((size < 100 * close) & (np.abs(x) <= limit), x, np.nan)


def one_root(coefficients: Array, guess: float, limit: float = 1.0, steps: int = 20) -> float:
    """`root` of one polynomial at zero, in plain numbers: ten times as fast."""
    a = coefficients.tolist()
    x = guess
    for _ in range(steps):
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


def _horner(a: list[Array], x: Array | float) -> tuple[Array, Array]:
    """Value and slope of polynomials."""
    slope = a[-1]
    value = slope * x + a[-2]
    for term in a[-3::-1]:
        slope = slope * x + value
        value = value * x + term
    return value, slope
