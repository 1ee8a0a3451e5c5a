"""Instants at which the trace crosses reference levels, with what each repeat and each cause does to them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .crossing import BACK, NO_LEVELS, Crossing, between_samples, find_crossing
from .jackknife import leave_one_out
from .observation import Observation
from .polynomial import SHARP, Smear
from .reference import Reference
from .rest import Rest

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Instant:
    """One crossing of one reference level."""

    reference: Reference
    crossing: Crossing
    position: float
    """In samples."""
    replicates: Array
    """[repeat] positions with one repeat left out; empty with one repeat."""
    slack: float = 0.0
    """Standard uncertainty for a level that lies within the noise, in samples."""
    at_least: bool = False
    """Whether the true instant is this one or a later one, because the level lies within the noise."""

    @property
    def half(self) -> int:
        """Half width of the fit, in samples."""
        return self.crossing.half


def instant_at(
    observation: Observation,
    rest: Rest,
    reference: Reference,
    guess: float,
    smear: Smear = SHARP,
    *,
    upwards: bool = True,
    widest: int | None = None,
    back: int = BACK,
) -> Instant | None:
    """The instant near a guess.

    Args:
        upwards: whether the trace goes from start to end level there, as against coming back.
        widest: limit of the fit's half width in samples.
        back: steps from the widest window that agrees to the final one.
    """
    rising = (rest.step > 0) == upwards
    levels = NO_LEVELS
    if observation.repeats > 1:
        low, high = rest.moved
        levels = reference.light + reference.d_start * low + reference.d_end * high
    mean, noise, rows = observation.mean, observation.noise, observation.rows
    found = find_crossing(mean, reference.light, guess, noise, rising, widest, smear, back, rows, levels)
    if found is not None:
        return Instant(reference, found, found.position, found.replicates)
    return _straight_instant(observation, reference, guess, rising, levels)


def _straight_instant(
    observation: Observation, reference: Reference, guess: float, rising: bool, levels: Array
) -> Instant | None:
    """The instant between two samples of an edge that is too steep for a fit."""
    found = between_samples(observation.mean, reference.light, guess, observation.noise, rising)
    if found is None:
        return None
    replicates = NO_LEVELS
    if len(levels):
        others = leave_one_out(observation.light[:, found.centre : found.centre + 2])
        rise = others[:, 1] - others[:, 0]
        # A replicate without an edge there has no crossing; the scatter is then taken from the noise.
        replicates = found.centre + np.divide(levels - others[:, 0], rise, out=np.full(len(rise), np.nan), where=rise != 0)
    return Instant(reference, found, found.position, replicates)
