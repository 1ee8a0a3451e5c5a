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
_QUIET: Final = 0.1
"""Part of the instants that is taken as quiet: with slow panels and short holds it isn't more."""
_QUIET_NORMAL: Final = 0.12566
"""The same quantile of |N(0, 1)|."""
_SIGMAS: Final = 8.0
_SLOW: Final = 4
"""A second look compares over this many times longer: it finds small steps of slow panels."""
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

    The threshold follows the record's own noise, taken from second differences in the quietest tenth of all instants, so that
    long tails of slow panels and frequent changes don't raise it. A candidate must stand out of its surroundings, not only be
    large: the tail of a slow transition is large for long. Of two that are nearer than the shortest hold the larger one stays.

    Args:
        points: [point] light.
        interval_s: between points.
        hold_s: about how long each level was held; None: not known.
    """
    period_s = ripple_period(points, interval_s)
    light = smooth(points, period_s / interval_s)
    w = max(2, round(max(WINDOW_S, period_s) / interval_s))
    if len(light) < 16 * w:
        return Changes(np.empty(0, np.int64), light, period_s / interval_s, 0.0, interval_s)
    edge = w + int(2 * period_s / interval_s)  # the repeated ends of the smoothing are no change
    span = float(np.quantile(light, 0.999) - np.quantile(light, 0.001))
    found, size, sigma = _at_scale(light, w, edge, span)
    least_s = max(SHORTEST_HOLD_S, 2.5 * period_s)
    gap_s = 0.45 * hold_s if hold_s else max(_gap_s(found, size, interval_s, least_s), least_s)
    kept = _thin(found, size, gap_s / interval_s)
    slow, slow_size, _ = _at_scale(light, _SLOW * w, edge + _SLOW * w, span)
    # A slow change is largest about three quarters of the window after it began.
    slow = np.maximum(slow - 3 * w, 0)
    kept = _add_far(kept, slow, slow_size, gap_s / interval_s)
    return Changes(kept, light, period_s / interval_s, sigma, interval_s)


def _at_scale(light: Array, w: int, edge: int, span: float) -> tuple[NDArray[np.int64], Array, float]:
    """Candidates, size of the change [point], and noise, comparing means over `w` points."""
    step, bend = _differences(light, w)
    step[:edge] = step[len(step) - edge :] = 0.0
    sigma = float(np.quantile(np.abs(bend), _QUIET)) / _QUIET_NORMAL / np.sqrt(3.0)
    return _standing_out(step, max(_SIGMAS * sigma, _FLOOR * span)), np.abs(step), sigma


def _add_far(kept: NDArray[np.int64], more: NDArray[np.int64], size: Array, gap: float) -> NDArray[np.int64]:
    """Candidates of the slow scale that lie far from those of the fast one."""
    near = np.array([len(kept) > 0 and bool(np.abs(kept - m).min() < gap) for m in more], dtype=bool)
    rest = more[~near] if len(more) else more
    return np.sort(np.concatenate([kept, _thin(rest, size, gap)])) if len(rest) else kept


def _differences(light: Array, w: int) -> tuple[Array, Array]:
    """First and second difference of neighbouring means over `w` points.

    [point] mean of the next `w` minus mean of the last `w`, zero at the ends; and the second difference, in which the slope of
    a long tail cancels, so that it tells the noise (its variance is three times that of the first, for white noise).
    """
    total = np.concatenate([[0.0], np.cumsum(light)])
    mean = (total[w:] - total[:-w]) / w
    first = np.zeros(len(light))
    first[w : len(light) - w + 1] = mean[w:] - mean[:-w]
    return first, np.asarray(mean[2 * w :] - 2 * mean[w:-w] + mean[: -2 * w])


def _standing_out(step: Array, threshold: float) -> NDArray[np.int64]:
    from scipy.signal import find_peaks

    found = []
    for signed in (step, -step):
        at, facts = find_peaks(np.maximum(signed, 0.0), height=threshold, prominence=threshold)
        found.append(at[facts["prominences"] >= 0.25 * signed[at]])
    return np.sort(np.concatenate(found)).astype(np.int64)


def _gap_s(found: NDArray[np.int64], size: Array, interval_s: float, least_s: float) -> float:
    """Shortest time between changes that can be told apart, from the shorter times between large ones."""
    if len(found) < 3:
        return least_s
    large = _thin(found[size[found] >= 0.2 * size[found].max()], size, least_s / interval_s)
    return 0.4 * float(np.quantile(np.diff(large), 0.1)) * interval_s if len(large) > 2 else least_s


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
