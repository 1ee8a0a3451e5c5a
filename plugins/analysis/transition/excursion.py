"""How far a trace goes beyond its state levels: overshoot, undershoot, preshoot (IEEE 181 aberrations)."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .crossing import RISING, agreeing
from .jackknife import leave_one_out
from .observation import Observation
from .polynomial import TERMS, Smear, fit_windows, gram, powers, weights
from .search import smooth

Array = NDArray[np.float64]


_TRIES = np.linspace(-0.6, 0.6, 121)
_POWERS = powers(_TRIES, TERMS)


@dataclass(frozen=True)
class Place:
    """The trace at one instant, from a cubic fitted around it."""

    position: float
    """In samples."""
    value: float
    """Light."""
    replicates: Array
    """[repeat] light with one repeat left out; empty with one repeat."""
    u_noise: float
    """Standard uncertainty by the noise of the trace."""
    slope: float
    """Light a sample."""
    tried: float = 1.0
    """Independent places among which it was the farthest: the more there are, the farther noise alone goes at one of them."""
    first: int = 0
    """First sample of the stretch that was looked through."""
    last: int = 0
    """One past its last."""


def place_at(observation: Observation, position: float, smear: Smear, *, top: float = 0.0, widest: int | None = None) -> Place:
    """The trace at a position.

    Args:
        top: +1 to move to the nearby maximum, -1 to the minimum, 0 to stay.
        widest: limit of the fit's half width, in samples.
    """
    n = observation.samples
    centre = min(max(round(position), 3), n - 4)
    room = max(3, min(widest or n // 4, centre, n - 1 - centre))
    windows = fit_windows(observation.mean, centre, room, smear)
    u = observation.noise * np.sqrt(np.maximum(windows.nest.variances[0], 0))
    floor = 1e-6 * observation.span
    pick = max(0, agreeing(windows.fits[:, 0], np.maximum(u, floor)))
    half = int(windows.halves[pick])
    lines = weights(half, smear)
    fit = lines @ observation.mean[centre - half : centre + half + 1]
    x = (position - centre) / half
    if top:
        x = _vertex(fit, top)
    p = powers(x, TERMS)
    spread = math.sqrt(float(p @ gram(half, smear) @ p))
    rows = observation.light[:, centre - half : centre + half + 1] @ lines.T
    replicates = leave_one_out(rows @ p) if len(rows) > 1 else np.empty(0)
    slope = float(p[:-1] @ (fit[1:] * RISING)) / half
    return Place(centre + half * x, float(fit @ p), replicates, observation.noise * spread, slope)


def _vertex(fit: Array, top: float) -> float:
    """x of the extremum nearest the middle of the window, within it."""
    return float(_TRIES[int(np.argmax(top * (_POWERS @ fit)))])


def extreme(
    observation: Observation,
    height: Array,
    first: int,
    last: int,
    top: float,
    upwards: bool,
    width: float,
    smear: Smear,
) -> Place | None:
    """The farthest point of the mean trace upwards (`top` +1) or downwards (-1) between two samples; None when there
    are too few.

    Args:
        height: [sample] where to look: without spikes, in units of the step.
        upwards: whether the farthest point is the highest of these, as against the lowest.
        width: of the moving mean to look through, in samples.
    """
    if last - first < 7:
        return None
    span = max(1, int(min(width, (last - first) / 4)))
    means = smooth(height[first:last], span)
    # Rounding must not choose between two that are as far: the mirror image of a trace would give another figure.
    away = means if upwards else -means
    at = first + int(np.argmax(away >= away.max() - 1e-9))
    # A fit that reached past the stretch would bend around the corner of the transition and ring.
    widest = max(3, min(at - first, last - 1 - at))
    found = place_at(observation, float(at), smear, top=top, widest=widest)
    return replace(found, tried=(last - first) / span, first=first, last=last)
