"""Where a noisy trace passes a level for good: no early crossing from a spike, and no smoothing window to choose."""

from __future__ import annotations

import numpy as np
from greystep.schema.trace import Array


def rising_crossing(unit: Array, level: float) -> float:
    """Position, in samples, where a rising trace passes `level`.

    It is where the isotonic (monotone least-squares) regression of the trace passes the level: the sample i that minimises
    sum_{j <= i} (y_j - level), which for a sudden step in white noise is also the maximum-likelihood change point. Between the
    samples i and i + 1 the trace is taken as straight.

    Args:
        unit: [sample] trace that rises through the level.
        level: in the trace's unit.

    Returns:
        position from 0 to len - 1; 0 when the trace is above from the start.

    Source: R. E. Barlow et al., "Statistical Inference under Order Restrictions" (1972), min-max formula; derived.
    """
    sums = np.cumsum(unit - level)
    if not np.any(sums < 0.0):
        return 0.0
    i = int(np.argmin(sums))
    if i + 1 >= len(unit):
        return float(len(unit) - 1)
    low, high = float(unit[i]), float(unit[i + 1])
    return i + float(np.clip((level - low) / (high - low), 0.0, 1.0)) if high > low else i + 0.5
