"""Blur edge time: 10 to 90 % of the moving-edge temporal profile."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from greystep.schema.trace import Array

EXTENSION = 0.8
"""Part of the edge between 10 and 90 %: EBET = BET / 0.8, so that a straight edge gives its whole length."""


class EdgeTimes(NamedTuple):
    """Instants of one profile, in s; NaN where it does not pass the level."""

    low_s: float
    """10 % instant: the last before the 50 % instant."""
    mid_s: float
    """50 % instant: the one nearest to the time asked for."""
    high_s: float
    """90 % instant: the first after the 50 % instant."""

    @property
    def duration_s(self) -> float:
        """t90 - t10."""
        return self.high_s - self.low_s


def edge_times(times_s: Array, profile: Array, near_s: float, low: float = 0.1, high: float = 0.9) -> EdgeTimes:
    """Instants at which a normalised, rising profile passes `low`, 0.5 and `high`.

    Args:
        times_s: [time] ascending.
        profile: [time] normalised: 0 before the edge, 1 after it.
        near_s: the 50 % crossing nearest to this time is the edge.
        low: lower reference level.
        high: upper reference level.

    Source: A. B. Watson, JSID 18(2):179 (2010); SID 2010 paper 14.1 (10 to 90 % of the profile).
    """
    from ..kernels.motion import passages

    out = np.empty(3)
    passages(np.ascontiguousarray(times_s), np.ascontiguousarray(profile), near_s, low, high, out)
    return EdgeTimes(*out.tolist())


def blur_width(blur_edge_time_s: float, speed_pixel_s: float) -> float:
    """Blur edge width in pixel: BEW = BET v (derived)."""
    return blur_edge_time_s * speed_pixel_s
