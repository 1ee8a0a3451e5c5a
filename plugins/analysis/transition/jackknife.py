"""Uncertainty from the repeats: a figure is formed again with each repeat left out.

The jackknife standard error sqrt((n-1)/n sum (x_i - mean)^2) (Efron and Tibshirani 1993, chapter 11) holds for figures that are
smooth in the average, and it sees whatever differs between repeats: noise of any colour, drift, jitter.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def leave_one_out(rows: Array) -> Array:
    """[repeat, ...] means of all rows but one; of linear quantities, so that nothing has to be computed again from samples."""
    n = len(rows)
    return np.asarray((rows.sum(axis=0) - rows) / (n - 1))


def standard_error(replicates: Array) -> float:
    """Jackknife standard error of leave-one-out figures; NaN with fewer than two or where a figure could not be formed."""
    from ..kernels.repeats import jackknife

    return float(jackknife(np.ascontiguousarray(replicates, np.float64))) if len(replicates) > 1 else math.nan
