"""When a slow series stays within a band about its final level."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Array

from ..motion.ends import remaining_after, sample_noise


@dataclass(frozen=True)
class Settling:
    """Where a series enters its band for good."""

    time_s: float
    """Last entry; the first reading's time when it never was outside."""
    slope_s: float
    """Relative change a second at the entry; 0 when it never was outside."""
    final: float
    """Mean over the last window, in the series' unit."""
    u_final: float
    """Relative standard uncertainty of the final level from the noise."""
    remaining: float
    """Relative change that is still to come, signed, if the trend decays as it does within the last window."""
    u_remaining: float
    noise: float
    """Relative standard deviation of one smoothed reading."""
    never_outside: bool
    smoothed: int
    """Readings averaged, so that the noise stays inside the band."""


def settling(times_s: Array, values: Array, band: float, window_s: float) -> Settling | None:
    """Last entry into final level times (1 +- band).

    Readings are averaged over as many neighbours as it takes to bring their noise below a fifth of the band. The entry is the
    last crossing of the band's edge, between two readings by a straight line.

    Args:
        times_s: [reading] ascending.
        values: [reading].
        band: half width as a part of the final level.
        window_s: the final level is the mean over this time at the end.

    Returns:
        None with fewer than four readings in the window, or a final level that is not positive.
    """
    last = times_s >= times_s[-1] - window_s * (1 + 1e-9)
    tail = values[last]
    if len(tail) < 4 or float(np.mean(tail)) <= 0:
        return None
    final = float(np.mean(tail))
    noise = sample_noise(values[None, :], 0.0) / final
    width = int(np.clip(math.ceil((5.0 * noise / band) ** 2), 1, max(1, len(values) // 8)))
    offset = _smooth(values, width) / final - 1.0
    remaining, u_remaining = remaining_after(tail / final, noise) if len(tail) >= 6 else (0.0, noise)
    outside = np.flatnonzero(np.abs(offset) > band)
    never = len(outside) == 0
    time_s, slope = float(times_s[0]), 0.0
    if not never:
        i = min(int(outside[-1]), len(offset) - 2)
        time_s = _entry(times_s, np.abs(offset), i, band)
        a, b = max(0, i - width), min(len(offset) - 1, i + 1 + width)
        slope = float(offset[b] - offset[a]) / float(times_s[b] - times_s[a])
    u_final = noise / math.sqrt(len(tail))
    return Settling(time_s, slope, final, u_final, remaining, u_remaining, noise / math.sqrt(width), never, width)


def _entry(times_s: Array, distance: Array, i: int, band: float) -> float:
    a, b = float(distance[i]), float(distance[i + 1])
    part = (a - band) / (a - b) if a > band > b else 1.0
    return float(times_s[i] + part * (times_s[i + 1] - times_s[i]))


def _smooth(values: Array, width: int) -> Array:
    """Mean over `width` neighbours (made odd), over those that are there at the ends."""
    half = width // 2
    if half == 0:
        return np.asarray(values, dtype=np.float64)
    sums = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(len(values))
    reach = np.minimum(np.minimum(index, len(values) - 1 - index), half)
    return np.asarray((sums[index + reach + 1] - sums[index - reach]) / (2 * reach + 1))
