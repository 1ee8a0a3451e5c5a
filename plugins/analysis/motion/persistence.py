"""Persistence of a strobed backlight: how long the light of one frame is on."""

from __future__ import annotations

import numpy as np
from greystep.schema.trace import Array


def time_above_middle(light: Array, samples: int) -> Array:
    """Part of the first `samples` intervals for which each trace, drawn with straight lines, is above its middle line.

    The middle line lies between the median of the samples below and the median of those above half of the range, so that one
    noisy sample does not move it.

    Args:
        light: [repeat, sample].
        samples: number of intervals; whole periods give the duty.

    Returns:
        [repeat] 0 to 1; NaN for a trace without two states.
    """
    out = np.full(len(light), np.nan)
    for i, trace in enumerate(light):
        middle = 0.5 * (float(np.min(trace)) + float(np.max(trace)))
        high, low = trace[trace > middle], trace[trace <= middle]
        if len(high) == 0 or len(low) == 0:
            continue
        d = trace[: samples + 1] - 0.5 * (np.median(high) + np.median(low))
        a, b = d[:-1], d[1:]
        crossing = (a > 0) != (b > 0)
        gap = np.where(crossing, np.abs(a - b), 1.0)
        out[i] = float(np.mean(np.where(crossing, np.maximum(a, b) / gap, (a > 0).astype(np.float64))))
    return out


def persistence_s(duty: float, period_s: float) -> float:
    """d T: what an eye that follows the motion sees smeared over v d T (derived)."""
    return duty * period_s
