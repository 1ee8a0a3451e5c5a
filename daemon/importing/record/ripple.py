"""Periodic modulation in a record (PWM, refresh dips): its period, and how to average it out."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LOWEST_HZ: Final = 22.0
"""Slower modulation is taken as a sequence of levels."""
_WINDOW_S: Final = 0.15
_CONTRAST: Final = 25.0
_FLOOR_BINS: Final = 61
"""About 100 Hz; a line is about 25 Hz wide."""
_WEAKEST: Final = 5e-4
"""Power of the fundamental against the strongest line: dips of a display with PWM are that weak."""


def ripple_period(points: Array, interval_s: float) -> float:
    """Period of the slowest strong modulation, in s; 0 when there is none.

    The median over short windows is taken, so that windows with a change of level don't count; the spectrum of the differences
    is used, in which a level change is flat.

    Args:
        points: [point] light.
        interval_s: between points.
    """
    from scipy.ndimage import median_filter

    n = round(_WINDOW_S / interval_s)
    if n < 16 or len(points) < 4 * n:
        return 0.0
    count = min(len(points) // n, 4000)
    starts = np.linspace(0, len(points) - n, count).astype(np.int64)
    window = np.hanning(n - 1)
    power = np.stack([np.abs(np.fft.rfft(np.diff(points[s : s + n]) * window, 4 * n)) ** 2 for s in starts])
    spectrum = np.median(power, axis=0)
    hz = np.fft.rfftfreq(4 * n, interval_s)
    usable = hz >= LOWEST_HZ
    peaks = _peaks(spectrum) & usable
    # The floor is taken near each line: that of differences grows with the frequency squared and would hide slow lines.
    floor = median_filter(spectrum, size=_FLOOR_BINS, mode="nearest")
    line = np.where(usable, spectrum / np.maximum(hz, LOWEST_HZ) ** 2, 0.0)
    strong = peaks & (spectrum > _CONTRAST * floor) & (line > _WEAKEST * line[peaks].max(initial=0.0))
    return float(1.0 / hz[np.flatnonzero(strong)[0]]) if strong.any() else 0.0


def _peaks(spectrum: Array) -> NDArray[np.bool_]:
    inner = (spectrum[1:-1] > spectrum[:-2]) & (spectrum[1:-1] >= spectrum[2:])
    return np.concatenate([[False], inner, [False]])


def smooth(points: Array, length: float) -> Array:
    """Mean over `length` points (any fraction), twice; beyond the ends stands the mean of the last period.

    Two passes make the result depend on an error of the length only in second order.
    """
    if length <= 1:
        return points
    return _boxcar(_boxcar(points, length), length)


def _boxcar(points: Array, length: float) -> Array:
    half = length / 2
    pad = int(np.ceil(half)) + 1
    whole = min(max(round(length), 1), len(points))
    padded = np.concatenate([np.full(pad, points[:whole].mean()), points, np.full(pad, points[-whole:].mean())])
    total = np.concatenate([[0.0], np.cumsum(padded)])
    centre = np.arange(len(points)) + pad + 0.5
    edges = np.arange(len(total), dtype=np.float64)
    return np.asarray((np.interp(centre + half, edges, total) - np.interp(centre - half, edges, total)) / length)
