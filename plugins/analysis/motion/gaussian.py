"""Gaussian edge time (GET): a fit, not a moment."""

from __future__ import annotations

import numpy as np
from greystep.schema.trace import Array

GET_PER_SIGMA = 2.5631031310892007
"""2 * (the 90 % point of the standard normal distribution): 10 to 90 % of a Gaussian edge with sigma 1."""


def fit_gaussian_edge(times_s: Array, profiles: Array, start_s: float, start_sigma_s: float) -> tuple[Array, Array]:
    """Least-squares fit of Phi((t - mu) / sigma) to normalised profiles, all at once (Gauss-Newton with step halving).

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
    t = np.asarray(times_s)[None, :]
    mu = np.full(len(profiles), start_s)
    log_s = np.full(len(profiles), np.log(start_sigma_s))
    here = _residuals(t, profiles, mu, log_s)
    now = _cost(here)
    for _ in range(60):
        d_mu, d_ls = _step(here, log_s)
        size = np.ones(len(profiles))
        for _ in range(20):
            here = _residuals(t, profiles, mu + size * d_mu, log_s + size * d_ls)
            trial = _cost(here)
            worse = trial > now * (1 + 1e-12)
            if not np.any(worse):
                break
            size = np.where(worse, 0.5 * size, size)
        else:
            here = _residuals(t, profiles, mu + size * d_mu, log_s + size * d_ls)
        mu, log_s, now = mu + size * d_mu, log_s + size * d_ls, trial
        if float(np.max(np.abs(d_ls) + np.abs(d_mu) / np.exp(log_s))) < 1e-10:
            break
    sigma = np.exp(log_s)
    good = np.isfinite(now) & (sigma < float(times_s[-1] - times_s[0]))
    return np.where(good, mu, np.nan), np.where(good, sigma, np.nan)


def _residuals(t: Array, profiles: Array, mu: Array, log_s: Array) -> tuple[Array, Array]:
    """[profile, time] z = (t - mu) / sigma, and what is left of the profiles."""
    from scipy.special import ndtr

    z = (t - mu[:, None]) / np.exp(log_s)[:, None]
    return z, profiles - ndtr(z)


def _cost(here: tuple[Array, Array]) -> Array:
    return np.asarray(np.sum(here[1] ** 2, axis=1))


def _step(here: tuple[Array, Array], log_s: Array) -> tuple[Array, Array]:
    """Gauss-Newton step in (mu, ln sigma) of every profile; ln sigma moves by at most 1."""
    z, r = here
    density = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    j_mu, j_ls = -density / np.exp(log_s)[:, None], -density * z
    a, b, c = (np.sum(p * q, axis=1) for p, q in ((j_mu, j_mu), (j_mu, j_ls), (j_ls, j_ls)))
    g, h = np.sum(j_mu * r, axis=1), np.sum(j_ls * r, axis=1)
    det = np.maximum(a * c - b * b, 1e-300)
    return (c * g - b * h) / det, np.clip((a * h - b * g) / det, -1.0, 1.0)
