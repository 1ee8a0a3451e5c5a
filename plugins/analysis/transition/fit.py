"""A transition by the formula that fits it: as sharp as the noise allows where the formula is true, and refused where
it is not.

The mean trace is cut into block means far shorter than the transition (64 of them lose 5 % of the information at most),
each model is fitted with onset, shape and both state levels free, and judged by its chi-square. A wrong model is biased
(73 times the noise at 40 dB was seen), so one that its chi-square refuses is never used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .least_squares import Evaluate, Fitted, chi_square_chance, fit, rough_fit
from .models import MODELS, Model
from .noise import block_means
from .observation import Observation

Array = NDArray[np.float64]

LEAST_CHANCE = 0.05
"""A model is refused when noise alone would leave residuals as large with less than this chance."""
BLOCKS_AN_EDGE = 100
"""Block means over the 10-90 duration."""
THIN = 8
"""Of so many blocks one is looked at first."""
HOPELESS = 1e-9
"""A model that these refuse with less than this chance is not fitted to all."""


@dataclass(frozen=True)
class Chosen:
    """The model that was accepted."""

    model: Model
    fitted: Fitted
    """Parameters: onset, lower level, upper level, shape...; times in units of `unit`."""
    unit: float
    """Samples a unit of time."""
    origin: float
    """Sample of time zero."""
    chance: float
    """Of residuals as large as these."""
    block: int
    """Samples a block."""
    first: int
    """First sample of the stretch that was fitted."""
    last: int
    """One past its last."""
    others: tuple[tuple[Model, Fitted], ...] = ()
    """Other models that were accepted and are nearly as good (within 10 of the information criterion)."""

    def crossing(self, ratio: float, parameters: Array | None = None) -> float:
        """First sample position at which the edge passes a part of the step."""
        p = self.fitted.parameters if parameters is None else parameters
        return self.origin + self.unit * (float(p[0]) + self.model.first_passage(p[3:], ratio))


def choose(
    observation: Observation, rest_start: float, rest_end: float, middle: float, duration: float
) -> tuple[Chosen | None, float]:
    """The accepted model with the best information criterion (BIC) with its chance, or none and the best chance that any had.

    Every `THIN`th block already tells most models that are wrong, so that only those that may be right are fitted to all.

    Args:
        rest_start: light at rest before; the first guess only.
        rest_end: light at rest after.
        middle: 50 % instant, in samples.
        duration: 10-90 duration, in samples.
    """
    block = max(1, int(duration / BLOCKS_AN_EDGE))
    first = max(0, int(middle - 10 * duration))
    last = min(observation.samples, int(middle + 12 * duration))
    means = block_means(observation.mean[first:last], block)
    times = np.asarray((first + block * (np.arange(len(means)) + 0.5) - 0.5 - middle) / duration, dtype=np.float64)
    noise = observation.noise / float(np.sqrt(block))
    few, tried, best = slice(None, None, THIN), [], 0.0
    thinned = np.ascontiguousarray(times[few])
    for model in MODELS:
        start = np.array([-model.onset, rest_start, rest_end, *model.start])
        near, rss = rough_fit(_light(model, thinned), means[few], start, noise)
        chance = chi_square_chance(rss, len(thinned) - len(start))
        best = max(best, chance)
        if chance < HOPELESS:
            continue
        found = fit(_light(model, times), means, near, noise)
        score = found.rss + len(found.parameters) * float(np.log(len(means)))
        tried.append((score, chi_square_chance(found.rss, found.dof), model, found))
    accepted = sorted((t for t in tried if t[1] > LEAST_CHANCE), key=lambda t: t[0])
    if not accepted:
        return None, max((t[1] for t in tried), default=best)
    score, chance, model, found = accepted[0]
    others = tuple((m, f) for s, _, m, f in accepted[1:] if s < score + 10)
    return Chosen(model, found, duration, middle, chance, block, first, last, others), chance


def _light(model: Model, times: Array) -> Evaluate:
    return lambda parameters: model.light(times, parameters)


def replicates(chosen: Chosen, observation: Observation) -> Array:
    """[repeat, parameter] parameters with one repeat left out, by one Gauss-Newton step from the common fit."""
    rows = block_means(observation.light[:, chosen.first : chosen.last], chosen.block)
    others = (rows.sum(axis=0) - rows) / (len(rows) - 1)
    steps = (others - rows.mean(axis=0)) @ chosen.fitted.jacobian @ chosen.fitted.inverse
    return np.asarray(chosen.fitted.parameters + steps)
