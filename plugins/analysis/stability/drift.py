"""Straight-line drift over the last window of a series."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from greystep.schema.trace import Array


class Drift(NamedTuple):
    """Change over a window, as a part of the mean."""

    relative: float
    """Signed: slope times window / mean."""
    u: float
    """From the scatter about the line."""
    dof: float
    mean: float
    """Mean over the window, in the series' unit."""
    noise: float
    """Standard deviation of one reading about the line, in the series' unit."""


def drift_over(times_s: Array, values: Array, window_s: float) -> Drift | None:
    """Least-squares line through the last `window_s`; None with fewer than four readings there or a mean that is not positive.

    u(slope) = s / sqrt(sum (t - mean t)^2), s^2 = RSS/(n - 2) (GUM H.3).
    """
    last = times_s >= times_s[-1] - window_s * (1 + 1e-9)
    t, y = times_s[last], values[last]
    if len(t) < 4 or float(np.mean(y)) <= 0:
        return None
    centred = t - np.mean(t)
    spread = float(np.sum(centred**2))
    if spread <= 0:
        return None
    mean = float(np.mean(y))
    slope = float(np.sum(centred * y)) / spread
    residual = y - mean - slope * centred
    noise = math.sqrt(float(np.sum(residual**2)) / (len(t) - 2))
    return Drift(slope * window_s / mean, noise / math.sqrt(spread) * window_s / mean, len(t) - 2.0, mean, noise)
