"""Where a noisy trace passes a level for good: no early crossing from a spike, and no smoothing window to choose."""

from __future__ import annotations

import numpy as np
from greystep.schema.trace import Array


class Rise:
    """A rising trace that is asked where it passes several levels.

    It passes a level where the isotonic (monotone least-squares) regression of the trace does: at the sample i that minimises
    sum_{j <= i} (y_j - level), which for a sudden step in white noise is also the maximum-likelihood change point. The sums
    and minima of blocks tell in which few blocks the least running sum can lie; only those are summed sample by sample.

    Source: R. E. Barlow et al., "Statistical Inference under Order Restrictions" (1972), min-max formula; derived.
    """

    def __init__(self, unit: Array) -> None:
        """
        Args:
            unit: [sample] trace that rises through the levels.
        """
        self.unit = unit
        from ..kernels.motion import BLOCK, block_sums

        blocks = -(-len(unit) // BLOCK)
        self._sums, self._lows = np.empty(blocks), np.empty(blocks)
        block_sums(unit, self._sums, self._lows)

    def crossing(self, level: float, stop: int | None = None) -> float:
        """Position, in samples, where the trace passes a level; between two samples it is taken as straight.

        Args:
            level: in the trace's unit.
            stop: the trace is looked at up to before this sample; None: to its end.

        Returns:
            position from 0 to the last sample; 0 when the trace is above from the start.
        """
        from ..kernels.motion import least_running_sum

        n = len(self.unit) if stop is None else stop
        i = int(least_running_sum(self.unit, self._sums, self._lows, level, n))
        if i < 0:
            return 0.0
        if i + 1 >= n:
            return float(n - 1)
        low, high = float(self.unit[i]), float(self.unit[i + 1])
        return i + min(max((level - low) / (high - low), 0.0), 1.0) if high > low else i + 0.5


def rising_crossing(unit: Array, level: float) -> float:
    """Position, in samples, where one rising trace passes one level; see `Rise`."""
    return Rise(unit).crossing(level)
