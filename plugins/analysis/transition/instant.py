"""Instants at which the trace crosses reference levels, with what each repeat and each cause does to them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .crossing import Crossing, find_crossing
from .jackknife import leave_one_out
from .observation import Observation
from .polynomial import SHARP, Smear, root
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
) -> Instant | None:
    """The instant near a guess.

    Args:
        upwards: whether the trace goes from start to end level there, as against coming back.
        widest: limit of the fit's half width in samples.
    """
    rising = (rest.step > 0) == upwards
    found = find_crossing(observation.mean, reference.light, guess, observation.noise, rising, widest, smear)
    if found is None:
        return None
    rows = found.coefficients(observation.light)
    start = (found.position - found.centre) / found.half
    replicates = np.empty(0)
    if len(rows) > 1:
        low = leave_one_out(rest.starts) - rest.starts.mean()
        high = leave_one_out(rest.ends) - rest.ends.mean()
        levels = reference.light + reference.d_start * low + reference.d_end * high
        replicates = found.centre + found.half * root(leave_one_out(rows), levels, start, limit=1.5)
    out = Instant(reference, found, found.position, replicates)
    return out if smear == SHARP else _shifts(out, observation.mean, start)


def _shifts(instant: Instant, mean: Array, start: float) -> Instant:
    """How far the two inversions moved the crossing, each taken away alone."""
    found = instant.crossing

    def without(smear: Smear) -> float:
        x = float(root(replace(found, smear=smear).coefficients(mean), instant.reference.light, start, limit=2.0))
        return 0.0 if math.isnan(x) else found.position - (found.centre + found.half * x)

    sensor = without(replace(found.smear, poles=0)) if found.smear.poles else 0.0
    window = without(replace(found.smear, window=0.0)) if found.smear.window else 0.0
    return replace(instant, sensor_shift=sensor, window_shift=window)
