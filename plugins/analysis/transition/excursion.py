"""How far a trace goes beyond its state levels: overshoot, undershoot, preshoot (IEEE 181 aberrations)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .observation import Observation
from .polynomial import Smear, tables_of
from .record import Record

Array = NDArray[np.float64]


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
    from ..kernels.windows import height

    nest = tables_of(smear)
    many = observation.repeats if observation.repeats > 1 else 0
    found, replicates = np.empty(4), np.empty(many)
    height(
        *(observation.mean, position, widest or observation.samples // 4, observation.noise, 1e-6 * observation.span, top),
        *(nest.halves, nest.cubic, nest.variances, nest.quintic, nest.gram),
        *(observation.rows.rows, observation.rows.stride, found, replicates),
    )
    where, value, u_noise, slope = found.tolist()
    return Place(where, value, replicates, u_noise, slope)


def extreme(
    observation: Observation,
    record: Record,
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
        record: where to look: without spikes, in units of the step.
        upwards: whether the farthest point is the highest of these, as against the lowest.
        width: of the moving mean to look through, in samples.
    """
    if last - first < 7:
        return None
    span = max(1, int(min(width, (last - first) / 4)))
    at = record.farthest(first, last, span, upwards)
    # A fit that reached past the stretch would bend around the corner of the transition and ring.
    widest = max(3, min(at - first, last - 1 - at))
    found = place_at(observation, float(at), smear, top=top, widest=widest)
    return replace(found, tried=(last - first) / span, first=first, last=last)
