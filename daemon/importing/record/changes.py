"""Instants at which the level changed: where the light just after differs most from the light just before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .ripple import ripple_period, smooth

Array = NDArray[np.float64]
WINDOW_S: Final = 0.010
"""Light is compared over this time on both sides of an instant."""
SHORTEST_HOLD_S: Final = 0.06
"""Two changes nearer than this are one: overshoot and the decay after it last about as long."""
_QUARTILE: Final = 0.31864
"""First quartile of |N(0, 1)|."""
_SIGMAS: Final = 8.0
_FLOOR: Final = 1e-3
"""Smallest change looked for, as a part of the record's range."""


@dataclass(frozen=True)
class Changes:
    """Candidates for changes of level."""

    instants: NDArray[np.int64]
    """[change] points, ascending."""
    smooth: Array
    """[point] light without ripple."""
    period: float
    """Points in a period of the ripple; 0: none."""
    noise: float
    """Standard deviation of a mean over the comparison window."""
    interval_s: float
    """Between points."""


def find_changes(points: Array, interval_s: float, hold_s: float | None = None) -> Changes:
    """Find candidates.

    The threshold follows the record's own noise, taken from the quietest quarter of all instants, so that long tails of slow
    panels and frequent changes don't raise it. A candidate must stand out of its surroundings, not only be large: the tail of
    a slow transition is large for long. Of two that are nearer than the shortest hold the larger one stays.

    Args:
        points: [point] light.
        interval_s: between points.
        hold_s: about how long each level was held; None: not known.
    """
    period_s = ripple_period(points, interval_s)
    light = smooth(points, period_s / interval_s)
    w = max(2, round(max(WINDOW_S, period_s) / interval_s))
    if len(light) < 4 * w:
        return Changes(np.empty(0, np.int64), light, period_s / interval_s, 0.0, interval_s)
    step = _difference(light, w)
    size = np.abs(step)
    sigma = float(np.quantile(size, 0.25)) / _QUARTILE
    span = float(np.quantile(light, 0.999) - np.quantile(light, 0.001))
    threshold = max(_SIGMAS * sigma, _FLOOR * span)
    found = _standing_out(step, threshold)
    gap_s = 0.45 * hold_s if hold_s else _gap_s(found, size, interval_s, period_s)
    kept = _thin(found, size, max(gap_s, SHORTEST_HOLD_S, 2.5 * period_s) / interval_s if not hold_s else gap_s / interval_s)
    return Changes(kept, light, period_s / interval_s, sigma, interval_s)


def _difference(light: Array, w: int) -> Array:
    """[point] mean of the next `w` points minus mean of the last `w`; zero at the ends."""
    total = np.concatenate([[0.0], np.cumsum(light)])
    mean = (total[w:] - total[:-w]) / w
    out = np.zeros(len(light))
    out[w : len(light) - w + 1] = mean[w:] - mean[:-w]
    return out


def _standing_out(step: Array, threshold: float) -> NDArray[np.int64]:
    from scipy.signal import find_peaks

    found = []
    for signed in (step, -step):
        at, facts = find_peaks(np.maximum(signed, 0.0), height=threshold, prominence=threshold)
        found.append(at[facts["prominences"] >= 0.25 * signed[at]])
    return np.sort(np.concatenate(found)).astype(np.int64)


def _gap_s(found: NDArray[np.int64], size: Array, interval_s: float, period_s: float) -> float:
    """Shortest time between changes that can be told apart, from the usual time between large ones."""
    if len(found) < 3:
        return SHORTEST_HOLD_S
    least = max(SHORTEST_HOLD_S, 2.5 * period_s) / interval_s
    large = _thin(found[size[found] >= 0.2 * size[found].max()], size, least)
    return 0.3 * float(np.median(np.diff(large))) * interval_s if len(large) > 2 else SHORTEST_HOLD_S


def _thin(found: NDArray[np.int64], size: Array, gap: float) -> NDArray[np.int64]:
    """Keep the largest, drop all nearer than `gap`, and so on."""
    kept: list[int] = []
    taken = np.zeros(len(found), dtype=bool)
    for i in np.argsort(-size[found], kind="stable"):
        if not taken[i]:
            kept.append(int(found[i]))
            low, high = np.searchsorted(found, [found[i] - gap, found[i] + gap])
            taken[low:high] = True
    return np.asarray(sorted(kept), dtype=np.int64)
