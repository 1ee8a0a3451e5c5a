"""The rules of search by a look at every sample: what the search from coarse to fine must find as well."""

from __future__ import annotations

import math

import numpy as np
from greystep.plugins.analysis.transition.refusal import Refusal
from greystep.plugins.analysis.transition.search import CLEAR, EndRule, Middle, StartRule, smoothing
from numpy.typing import NDArray

Array = NDArray[np.float64]


def smooth(trace: Array, width: int) -> Array:
    """Moving mean over an odd number of samples, `width` or one more; near the ends over what there is of the window."""
    half = min(width // 2, (len(trace) - 1) // 2)
    if half < 1:
        return trace
    n = len(trace)
    total = np.concatenate([[0.0], np.cumsum(trace)])
    i = np.arange(n)
    low, high = np.maximum(i - half, 0), np.minimum(i + half + 1, n)
    return np.asarray((total[high] - total[low]) / (high - low))


def has_landing(scaled: Array, noise: float, middle: Middle) -> bool:
    """Whether the trace rests on the way: for over half of the time from 10 to 90 % it changes by less than 3 % of the step."""
    trace = smooth(scaled, smoothing(noise, 0.1, max(1.0, middle.width / 16)))
    at = int(middle.place)
    before, after = np.flatnonzero(trace[: at + 1] < 0.1), np.flatnonzero(trace[at:] > 0.9)
    if not len(before) or not len(after):
        return False
    values = trace[np.rint(np.linspace(before[-1], at + after[0], 65)).astype(np.intp)]
    return bool((np.abs(values[32:] - values[:-32]) < 0.03).any())


def find_middle(scaled: Array, noise: float) -> Middle | Refusal:
    """The first passage through the half; refused when the trace comes back below 40 % later."""
    width = smoothing(noise, 0.2, len(scaled) / 8)
    trace = smooth(scaled, width)
    up = np.flatnonzero(trace > 0.6)
    if not len(up):
        return Refusal("the light never passes the middle of the step", ("no_transition",))
    first = int(up[0])
    if bool((trace[first:] < 0.4).any()):
        return Refusal("the light passes the middle of the step more than once", ("multiple_transitions",))
    below = np.flatnonzero(trace[:first] < 0.5)
    if not len(below):
        return Refusal("the transition lies at the edge of the record", ("at_edge",))
    place = float(below[-1]) + 0.5
    low = np.flatnonzero(trace[:first] < 0.2)
    high = np.flatnonzero(trace[first:] > 0.8)
    if not len(high) or not len(low):
        return Refusal("the transition lies at the edge of the record", ("at_edge",))
    return Middle(place, max(1.0, float(high[0] + first - low[-1])))


def find_start(scaled: Array, level: float, noise: float, middle: Middle, rule: StartRule) -> tuple[float, float]:
    """Place where the trace leaves the start level for good (`last_exit`) or for the first time (`first_exit`).

    Returns:
        Place in samples, and the noise of the smoothed trace over the distance of the level from the rest.
    """
    before = int(middle.place) + 1
    distance = max(level, 1e-6)
    width = smoothing(noise, distance, max(1.0, middle.width / 4))
    end = min(len(scaled), before + width)
    trace = smooth(scaled[:end], width)[:before]
    sigma = noise / math.sqrt(width)
    clear = min(CLEAR * sigma, distance / 2)
    if rule == "last_exit":
        inside = np.flatnonzero(trace < level - clear)
        first = int(inside[-1]) if len(inside) else 0
        above = np.flatnonzero(trace[first:] >= level)
        return float(first + (int(above[0]) if len(above) else before - 1 - first)) - 0.5, sigma / distance
    out = np.flatnonzero(trace > level + clear)
    last = int(out[0]) if len(out) else before - 1
    below = np.flatnonzero(trace[:last] < level)
    return float(below[-1] if len(below) else 0) + 0.5, sigma / distance


def find_end(
    scaled: Array, level: float, noise: float, middle: Middle, rule: EndRule, ceiling: float | None = None
) -> tuple[float, float, bool] | None:
    """Place where the trace enters the end band first, or for good (`settled`).

    Args:
        level: near edge of the band.
        ceiling: far edge, which a trace that overshoots leaves and enters again; None: as far beyond 1 as `level` is below.

    Returns:
        Place in samples, noise over distance, and whether it enters through the far edge; None when it never does.
    """
    top = 2 - level if ceiling is None else ceiling
    distance = max(abs(1 - level), 1e-6)
    after = int(middle.place)
    most, place = max(1.0, middle.width / 4), None
    for _ in range(4):
        width = smoothing(noise, distance, most)
        begin = max(0, after - width)
        trace = smooth(scaled[begin:], width)[after - begin :]
        sigma = noise / math.sqrt(width)
        clear = min(CLEAR * sigma, distance / 2)
        place = _first(trace, level, clear) if rule == "first_entry" else _last(trace, level, top, clear)
        if place is None:
            return None
        # Far down an exponential tail a wider window is as good: let it grow with the distance from the middle.
        if sigma * 2 * CLEAR <= distance * 1.01 or place[0] / 4 <= most:
            break
        most = place[0] / 4
    assert place is not None
    if rule == "settled":
        place = _left_again(scaled, noise, after, (level, top), place, width, middle)
        if place is None:
            return None
    return after + place[0], sigma / distance, place[1]


def _left_again(
    scaled: Array,
    noise: float,
    after: int,
    band: tuple[float, float],
    place: tuple[float, bool],
    width: int,
    middle: Middle,
) -> tuple[float, bool] | None:
    """The later place at which the band is entered for good, when the hysteresis hid that it was left once more.

    A ripple that leaves the band by less than the hysteresis shows in a wider mean, whose noise is smaller; such a mean only
    counts when it tells of an excursion well apart from the place found before, because it also smears the edge itself.
    """
    wide = 2 * width
    while wide <= middle.width:
        begin = max(0, after - wide)
        trace = smooth(scaled[begin:], wide)[after - begin :]
        later = _last(trace, *band, CLEAR * noise / math.sqrt(wide))
        if later is None:
            return None
        if later[0] > place[0] + 2 * wide:
            place = later
        wide *= 2
    return place


def _first(trace: Array, level: float, clear: float) -> tuple[float, bool] | None:
    inside = np.flatnonzero(trace > level + clear)
    if not len(inside):
        return None
    below = np.flatnonzero(trace[: int(inside[0])] < level)
    return (float(below[-1]) + 0.5 if len(below) else 0.0), False


def _last(trace: Array, level: float, top: float, clear: float) -> tuple[float, bool] | None:
    outside = np.flatnonzero((trace < level - clear) | (trace > top + clear))
    last = int(outside[-1]) if len(outside) else 0
    if last >= len(trace) - 1:
        return None
    inside = np.flatnonzero((trace[last:] >= level) & (trace[last:] <= top))
    if not len(inside):
        return None
    return float(last + int(inside[0])) - 0.5, bool(trace[last] > top)
