"""Allan deviation of evenly spaced readings (NIST SP 1065)."""

from __future__ import annotations

import math

import numpy as np
from greystep.schema.trace import Array


def overlapping_allan_deviation(readings: Array, averaging: int) -> float:
    """sigma(tau) of averages over m readings, tau = m times the interval, with all overlapping stretches.

    sigma^2 = 1 / (2 m^2 (M - 2m + 1)) sum_j (sum_{i=j}^{j+m-1} (y_{i+m} - y_i))^2,  j = 1 .. M - 2m + 1

    Args:
        readings: [reading] evenly spaced; for a relative deviation divided by their mean.
        averaging: m >= 1.

    Returns:
        in the unit of the readings; NaN with fewer than 2m + 1 readings.

    Source: W. J. Riley, NIST SP 1065 (2008), overlapping Allan deviation.
    """
    m, count = averaging, len(readings)
    if m < 1 or count < 2 * m + 1:
        return math.nan
    sums = np.concatenate(([0.0], np.cumsum(readings - np.mean(readings))))
    second = sums[2 * m :] - 2.0 * sums[m:-m] + sums[: -2 * m]
    return float(np.sqrt(np.mean(second**2) / 2.0)) / m


def effective_dof(count: int, averaging: int) -> float:
    """Degrees of freedom of an overlapping Allan variance of white noise: (3(N-1)/(2m) - 2(N-2)/N) 4m^2/(4m^2 + 5), N = M + 1.

    At least 1. Source: NIST SP 1065, empirical formulas (white frequency noise; N phase points for M = N - 1 readings).
    """
    n, m = count + 1, averaging
    dof = (3.0 * (n - 1) / (2.0 * m) - 2.0 * (n - 2) / n) * 4.0 * m * m / (4.0 * m * m + 5.0)
    return max(dof, 1.0)
