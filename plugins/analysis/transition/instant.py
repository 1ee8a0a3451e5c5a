"""Instants at which the trace crosses reference levels, with what each repeat and each cause does to them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .crossing import BACK, Crossing, between_samples, find_crossing
from .jackknife import leave_one_out
from .observation import Observation
from .polynomial import SHARP, Smear, one_root, root
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
    sensor_shift: float = 0.0
    """What undoing the sensor moved it by, in samples."""
    window_shift: float = 0.0
    """What undoing the moving window moved it by, in samples."""
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
    found = find_crossing(observation.mean, reference.light, guess, observation.noise, rising, widest, smear, back)
    if found is None:
        return _straight_instant(observation, rest, reference, guess, rising)
    rows = found.coefficients(observation.light)
    start = (found.position - found.centre) / found.half
    replicates = np.empty(0)
    if len(rows) > 1:
        low, high = rest.moved
        levels = reference.light + reference.d_start * low + reference.d_end * high
        replicates = found.centre + found.half * root(leave_one_out(rows), levels, start, limit=1.5, close=1e-9)
    out = Instant(reference, found, found.position, replicates)
    return out if smear == SHARP else _shifts(out, observation.mean, start)


def _straight_instant(observation: Observation, rest: Rest, reference: Reference, guess: float, rising: bool) -> Instant | None:
    """The instant between two samples of an edge that is too steep for a fit."""
    found = between_samples(observation.mean, reference.light, guess, observation.noise, rising)
    if found is None:
        return None
    pair = observation.light[:, found.centre : found.centre + 2]
    replicates = np.empty(0)
    if len(pair) > 1:
        low, high = rest.moved
        level = reference.light + reference.d_start * low + reference.d_end * high
        others = leave_one_out(pair)
        rise = others[:, 1] - others[:, 0]
        # A replicate without an edge there has no crossing; the scatter is then taken from the noise.
        replicates = found.centre + np.divide(level - others[:, 0], rise, out=np.full(len(rise), np.nan), where=rise != 0)
    return Instant(reference, found, found.position, replicates)


def _shifts(instant: Instant, mean: Array, start: float) -> Instant:
    """How far the two inversions moved the crossing, each taken away alone."""
    found = instant.crossing

    def without(smear: Smear) -> float:
        fit = replace(found, smear=smear).coefficients(mean)
        fit[0] -= instant.reference.light
        x = one_root(fit, start, limit=2.0, steps=12)
        return 0.0 if math.isnan(x) else found.position - (found.centre + found.half * x)

    sensor = without(replace(found.smear, poles=0)) if found.smear.poles else 0.0
    window = without(replace(found.smear, window=0.0)) if found.smear.window else 0.0
    return replace(instant, sensor_shift=sensor, window_shift=window)
