"""When a slow series stays within a band about its final level."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Array

from ..motion.ends import remaining_after, sample_noise

CLEAR = 4.0
"""A reading is clearly outside when the smoothed series exceeds the band by this many standard deviations."""
CHERNOFF = 0.513
"""Standard deviation of the place where two-sided Brownian motion minus t^2 is greatest (Chernoff's distribution)."""


@dataclass(frozen=True)
class Settling:
    """Where a series enters its band for good."""

    time_s: float
    """Last entry; the first reading's time when it never was outside."""
    u_time_s: float
    """Standard uncertainty of the entry from the noise of the readings."""
    slope_s: float
    """Size of the relative change a second around the entry; 0 when it never was outside."""
    final: float
    """Mean over the last window, in the series' unit."""
    u_final: float
    """Relative standard uncertainty of the final level from the noise."""
    remaining: float
    """Relative change that is still to come, signed, if the trend decays as it does within the last window."""
    u_remaining: float
    noise: float
    """Relative standard deviation of one reading."""
    never_outside: bool


def settling(times_s: Array, values: Array, band: float, window_s: float) -> Settling | None:
    """Last entry into final level times (1 +- band).

    The readings that are clearly outside, smoothed so that their noise is below a fifth of the band, say where to look; from
    the last of them on the entry is where the monotone regression of the distance from the final level passes the band, so
    that noise neither delays nor hastens it.

    Args:
        times_s: [reading] ascending.
        values: [reading].
        band: half width as a part of the final level.
        window_s: the final level is the mean over this time at the end.

    Returns:
        None with fewer than four readings in the window, or a final level that is not positive.
    """
    tail = values[times_s >= times_s[-1] - window_s * (1 + 1e-9)]
    if len(tail) < 4 or float(np.mean(tail)) <= 0:
        return None
    final = float(np.mean(tail))
    noise = sample_noise(values[None, :], 0.0) / final
    width = int(np.clip(math.ceil((5.0 * noise / band) ** 2), 1, max(1, len(values) // 8)))
    distance = np.abs(values / final - 1.0)
    clear = np.abs(_smooth(values, width) / final - 1.0) > band + CLEAR * noise / math.sqrt(width)
    outside = np.flatnonzero(clear)
    first = int(outside[-1]) if len(outside) else 0
    place = _falls_below(distance[first:], band)
    never = place is None
    time_s, u_time, slope = float(times_s[0]), 0.0, 0.0
    if place is not None:
        index = np.arange(len(times_s))
        time_s = float(np.interp(first + place, index, times_s))
        slope = _slope(times_s, distance, band)
        interval_s = float(np.median(np.diff(times_s)))
        u_time = CHERNOFF * (2.0 * noise * math.sqrt(interval_s) / slope) ** (2.0 / 3.0) if slope > 0 else interval_s
    remaining, u_remaining = remaining_after(tail / final, noise) if len(tail) >= 6 else (0.0, noise)
    u_final = noise / math.sqrt(len(tail))
    return Settling(time_s, u_time, slope, final, u_final, remaining, u_remaining, noise, never)


def _falls_below(distance: Array, level: float) -> float | None:
    """Position where the monotone regression of a falling series passes a level; None when it is below from the start."""
    sums = np.cumsum(distance - level)
    i = int(np.argmax(sums))
    if sums[i] <= 0.0:
        return None
    if i + 1 >= len(distance):
        return float(len(distance) - 1)
    a, b = float(distance[i]), float(distance[i + 1])
    return i + (float(np.clip((a - level) / (a - b), 0.0, 1.0)) if a > b else 0.5)


def _slope(times_s: Array, distance: Array, band: float) -> float:
    """Size of the slope around the entry: from one and a half to seven tenths of the band; 0 for a sudden entry."""
    index = np.arange(len(times_s))
    above, below = (_falls_below(distance, part * band) for part in (1.5, 0.7))
    if below is None:
        return 0.0
    start = float(np.interp(above if above is not None else 0.0, index, times_s))
    step = 0.8 * band if above is not None else max(float(distance[0]) - 0.7 * band, 0.0)
    length = float(np.interp(below, index, times_s)) - start
    return step / length if length > 0 else 0.0


def _smooth(values: Array, width: int) -> Array:
    """Mean over `width` neighbours (made odd), over those that are there at the ends."""
    half = width // 2
    if half == 0:
        return np.asarray(values, dtype=np.float64)
    sums = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(len(values))
    reach = np.minimum(np.minimum(index, len(values) - 1 - index), half)
    return np.asarray((sums[index + reach + 1] - sums[index - reach]) / (2 * reach + 1))
