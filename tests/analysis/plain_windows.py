"""The rules around a crossing and at a place, by numpy's own polynomial fits, window after window: what the compiled loops must
find as well."""

from __future__ import annotations

import math

import numpy as np
from numpy.polynomial import polynomial as poly
from numpy.typing import NDArray

Array = NDArray[np.float64]

HALVES = sorted({round(3 * 1.25**k) for k in range(40)})


def _fit(trace: Array, centre: int, half: int, degree: int) -> Array:
    x = np.arange(-half, half + 1) / half
    return np.asarray(poly.polyfit(x, trace[..., centre - half : centre + half + 1].T, degree))


def _covariance(half: int, degree: int) -> Array:
    design = np.vander(np.arange(-half, half + 1) / half, degree + 1, increasing=True)
    return np.asarray(np.linalg.inv(design.T @ design))


def _spread(half: int, degree: int, x: float) -> float:
    powers = x ** np.arange(degree + 1)
    return math.sqrt(powers @ _covariance(half, degree) @ powers)


def _root(fit: Array, near: float, limit: float) -> float:
    roots = np.roots(fit[::-1])
    real = roots[np.abs(roots.imag) < 1e-9].real
    inside = real[np.abs(real) <= limit]
    return float(inside[np.argmin(np.abs(inside - near))]) if len(inside) else math.nan


def _widest(values: list[float], u: list[float]) -> int:
    """Index of the widest window whose interval of two standard deviations meets those of all narrower ones."""
    low, high, widest = -math.inf, math.inf, -1
    for i, (value, spread) in enumerate(zip(values, u, strict=True)):
        if not (math.isfinite(value) and math.isfinite(spread)):
            continue
        low, high = max(low, value - 2 * spread), min(high, value + 2 * spread)
        if low > high:
            break
        widest = i
    return widest


def crossing(trace: Array, centre: int, room: int, noise: float, back: int) -> tuple[float, int, float] | None:
    """Position, half width and uncertainty of the rising crossing of zero by windows around one sample, by a polynomial of
    degree 5."""
    halves = [h for h in HALVES if h <= room]
    places, u = [], []
    for half in halves:
        fit = _fit(trace, centre, half, 3)
        x = _root(fit, 0.0, 1.0)
        slope = float(poly.polyval(x, poly.polyder(fit))) / half if math.isfinite(x) else math.nan
        sure = slope > 6 * noise * math.sqrt(_covariance(half, 3)[1, 1]) / half
        places.append(half * x)
        u.append(max(noise * _spread(half, 3, x) / slope, 1e-4) if sure else math.nan)
    widest = _widest(places, u)
    if widest < 0:
        return None
    pick = max(widest - back, int(np.isfinite(u).argmax()))
    half = halves[pick]
    fit = _fit(trace, centre, half, 5)
    x = _root(fit, places[pick] / half, 1.0)
    slope = float(poly.polyval(x, poly.polyder(fit))) / half
    return centre + half * x, half, noise * _spread(half, 5, x) / slope


def place(trace: Array, centre: int, room: int, noise: float, floor: float) -> tuple[float, int]:
    """Value at a sample and half width of the window."""
    halves = [h for h in HALVES if h <= room]
    values = [float(_fit(trace, centre, h, 3)[0]) for h in halves]
    u = [max(noise * math.sqrt(_covariance(h, 3)[0, 0]), floor) for h in halves]
    half = halves[max(0, _widest(values, u))]
    return float(_fit(trace, centre, half, 5)[0]), half


def position_of_quintic(row: Array, centre: int, half: int, level: float, near: float) -> float:
    """Where the polynomial of degree 5 fitted to one window takes a level."""
    fit = _fit(row, centre, half, 5)
    fit[0] -= level
    return centre + half * _root(fit, (near - centre) / half, 1.5)
