"""Gaussian edge time (GET): a fit, not a moment."""

from __future__ import annotations

import math

import numpy as np
from greystep.schema.trace import Array

GET_PER_SIGMA = 2.5631031310892007
"""2 * (the 90 % point of the standard normal distribution): 10 to 90 % of a Gaussian edge with sigma 1."""


def fit_gaussian_edge(times_s: Array, profiles: Array, start_s: float, start_sigma_s: float) -> tuple[Array, Array]:
    """Least-squares fit of Phi((t - mu) / sigma) to normalised profiles (Gauss-Newton with step halving).

    The state levels are those of the profile: a = 0 and b = 1 in a + b Phi. With a and b free the result would depend on how
    much of the settled record is within the window.

    Args:
        times_s: [time].
        profiles: [profile, time], 0 before the edge and 1 after it.
        start_s: first guess of mu.
        start_sigma_s: first guess of sigma.

    Returns:
        mu and sigma, [profile] each, in s; NaN where the fit does not converge.

    Source: A. B. Watson, JSID 18(2):179 (2010), equations 1 and 2, as described by Hallum and Cloherty (2021).
    """
    from ..kernels.motion import gaussian_edge

    times, rows = np.ascontiguousarray(times_s), np.ascontiguousarray(profiles)
    found, left = np.empty((len(rows), 2)), np.empty(len(rows))
    for i, row in enumerate(rows):
        left[i] = gaussian_edge(times, row, start_s, math.log(start_sigma_s), found[i])
    mu, sigma = found[:, 0], np.exp(found[:, 1])
    good = np.isfinite(left) & (sigma < float(times_s[-1] - times_s[0]))
    return np.where(good, mu, np.nan), np.where(good, sigma, np.nan)
