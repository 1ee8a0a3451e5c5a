"""Long traces on few points without hiding a peak: every bin keeps its mean, its least and its greatest value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Array


@dataclass(frozen=True)
class Envelope:
    """A trace over uneven bins."""

    times_s: Array
    """[bin] middle of the bin."""
    mean: Array
    """[bin] mean over the bin and over all repeats."""
    low: Array
    """[bin] least value of any repeat."""
    high: Array
    """[bin] greatest value of any repeat."""


def bin_edges(times_s: Array, window_s: tuple[float, float] | None, fine: int, coarse: int) -> Array:
    """[edge] sample indices, ascending: `fine` bins inside the window, `coarse` ones before and after it."""
    n = len(times_s)
    if window_s is None:
        return _steps(0, n, fine + coarse)
    first, last = np.searchsorted(times_s, window_s)
    outside = max(1, n - int(last - first))
    before = max(1, round(coarse * first / outside))
    after = max(1, round(coarse * (n - last) / outside))
    parts = [_steps(0, int(first), before), _steps(int(first), int(last), fine), _steps(int(last), n, after)]
    return np.unique(np.concatenate(parts))


def _steps(first: int, last: int, bins: int) -> Array:
    return np.unique(np.linspace(first, last, min(bins, max(1, last - first)) + 1).astype(np.intp))


def envelope(times_s: Array, light: Array, edges: Array) -> Envelope:
    """Reduce a trace.

    Args:
        times_s: [sample].
        light: [repeat, sample].
        edges: [edge] as from `bin_edges`; the last one is the number of samples.
    """
    starts = np.asarray(edges[:-1], dtype=np.intp)
    counts = np.diff(edges)
    low, high, total = np.min(light, axis=0), np.max(light, axis=0), np.mean(light, axis=0)
    return Envelope(
        np.add.reduceat(times_s, starts) / counts,
        np.add.reduceat(total, starts) / counts,
        np.minimum.reduceat(low, starts),
        np.maximum.reduceat(high, starts),
    )


def thinned(x: Array, y: Array, points: int) -> tuple[Array, Array]:
    """A curve on at most about `points` points: every stretch keeps its least and its greatest value where they are.

    Points in the middle of a straight line are left out first.

    Args:
        x: [point] ascending.
        y: [point]
        points: how many may stay.
    """
    x, y = _without_straight(x, y)
    n = len(x)
    if n <= points:
        return x, y
    edges = np.linspace(1, n - 1, max(1, points // 2 - 1) + 1).astype(np.intp)
    kept = {0, n - 1}
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        part = y[first:last]
        kept |= {first + int(np.argmin(part)), first + int(np.argmax(part))}
    order = np.array(sorted(kept), dtype=np.intp)
    return x[order], y[order]


def _without_straight(x: Array, y: Array) -> tuple[Array, Array]:
    if len(x) < 3:
        return x, y
    slope = np.diff(y) / np.where(np.diff(x) == 0, 1.0, np.diff(x))
    scale = float(np.ptp(y)) / (float(np.ptp(x)) or 1.0) or 1.0
    bent = np.abs(np.diff(slope)) > 1e-9 * scale
    keep = np.concatenate([[True], bent, [True]])
    return x[keep], y[keep]
