"""Where a noisy trace passes a level for good: no early crossing from a spike, and no smoothing window to choose."""

from __future__ import annotations

import numpy as np
from greystep.schema.trace import Array

BLOCK = 128
"""Samples that are looked at together before they are looked at one by one."""
MANY = 24
"""So many blocks one by one cost as much as the whole trace at once."""


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
        starts = np.arange(0, len(unit), BLOCK)
        self._sums = np.add.reduceat(unit, starts)
        self._lows = np.minimum.reduceat(unit, starts)

    def crossing(self, level: float, stop: int | None = None) -> float:
        """Position, in samples, where the trace passes a level; between two samples it is taken as straight.

        Args:
            level: in the trace's unit.
            stop: the trace is looked at up to before this sample; None: to its end.

        Returns:
            position from 0 to the last sample; 0 when the trace is above from the start.
        """
        n = len(self.unit) if stop is None else stop
        i = self._least(level, n)
        if i is None:
            return 0.0
        if i + 1 >= n:
            return float(n - 1)
        low, high = float(self.unit[i]), float(self.unit[i + 1])
        return i + min(max((level - low) / (high - low), 0.0), 1.0) if high > low else i + 0.5

    def _least(self, level: float, n: int) -> int | None:
        """Sample of the least running sum of trace minus level among the first n; None when no sum is below 0."""
        whole = n // BLOCK
        sums = np.append(0.0, np.cumsum(self._sums[:whole] - BLOCK * level))
        within = sums[:-1] + BLOCK * np.minimum(self._lows[:whole] - level, 0.0)
        known = float(sums.min())
        # What rounding may add to sums over a whole record.
        blocks = np.flatnonzero(within <= known + 1e-9 * (1 + abs(known)))
        if len(blocks) > MANY:
            every = np.cumsum(self.unit[:n] - level)
            i = int(every.argmin())
            return i if every[i] < 0 else None
        least, at = 0.0, None
        # Whatever is left at the end is looked at too.
        for k in [*blocks.tolist(), whole]:
            part = np.cumsum(self.unit[k * BLOCK : min((k + 1) * BLOCK, n)] - level)
            if not len(part):
                continue
            i = int(part.argmin())
            if float(sums[k] + part[i]) < least:
                least, at = float(sums[k] + part[i]), k * BLOCK + i
        return at


def rising_crossing(unit: Array, level: float) -> float:
    """Position, in samples, where one rising trace passes one level; see `Rise`."""
    return Rise(unit).crossing(level)
