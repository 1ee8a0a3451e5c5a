"""The moving edge of one transition: aligned repeats, their mean profile, its edge times, and how each cause moves them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from greystep.schema.trace import Array, Transition

from .edge_time import EdgeTimes, edge_times
from .ends import StepEnds
from .gaussian import GET_PER_SIGMA, fit_gaussian_edge
from .profile import RunningIntegral, moving_edge_profile, running_integral

REACH_PERIODS = 1.0
"""Half width of the window for the fit in refresh periods, on top of three edge times (7.7 sigma of a Gaussian edge)."""
GRID_STEPS = 500
"""Steps of the time grid a refresh period, at most: a straight line between them errs by under 1e-6 of a 4 ms exponential."""
FIT_POINTS = 1200


@dataclass(frozen=True)
class MovingEdge:
    """Profiles of all repeats on one time axis, centred on each repeat's own 50 % instant."""

    times_s: Array
    """[time] relative to the 50 % instant."""
    profiles: Array
    """[repeat, time] in the light's unit."""
    before: Array
    """[repeat] start level."""
    after: Array
    """[repeat] end level."""
    mid_s: Array
    """[repeat] 50 % instants of the profiles on the record's time axis."""
    integrals: tuple[RunningIntegral, ...] = field(repr=False)
    """[repeat] running integrals of the light."""

    def normalised(self, d_before: float = 0.0, d_after: float = 0.0) -> Array:
        """[time] mean profile, 0 before and 1 after, with the levels moved by so much (for sensitivities)."""
        low, high = float(np.mean(self.before)) + d_before, float(np.mean(self.after)) + d_after
        return np.asarray((np.mean(self.profiles, axis=0) - low) / (high - low))

    def without_each(self) -> Array:
        """[repeat, time] normalised mean profiles with each repeat left out in turn (jackknife)."""
        n = len(self.profiles)
        rest = (np.sum(self.profiles, axis=0) - self.profiles) / (n - 1)
        low = ((np.sum(self.before) - self.before) / (n - 1))[:, None]
        high = ((np.sum(self.after) - self.after) / (n - 1))[:, None]
        return np.asarray((rest - low) / (high - low))

    def reframed(self, period_s: float) -> MovingEdge:
        """The same light averaged over another period."""
        return replace(self, profiles=_profiles(self.integrals, self.mid_s, self.times_s, period_s))

    def times_of(self, profile: Array) -> EdgeTimes:
        """Edge times of a normalised profile on this time axis."""
        return edge_times(self.times_s, profile, 0.0)

    def gaussian(self, profiles: Array, start_sigma_s: float) -> Array:
        """[profile] Gaussian edge times of normalised profiles, in s."""
        stride = max(1, len(self.times_s) // FIT_POINTS)
        _, sigma = fit_gaussian_edge(self.times_s[::stride], profiles[:, ::stride], 0.0, start_sigma_s)
        return GET_PER_SIGMA * sigma


def moving_edge(subject: Transition, ends: StepEnds, period_s: float) -> MovingEdge | None:
    """Profiles of every repeat, each shifted to its own 50 % instant.

    The shift keeps a scan that is asynchronous with the level command (waiting uniformly between 0 and T) from smearing the
    mean. None when a profile does not pass its middle.
    """
    rows = subject.light[ends.rows]
    integrals = tuple(
        running_integral(subject.start_s, subject.interval_s, y, b, a)
        for y, b, a in zip(rows, ends.before, ends.after, strict=True)
    )
    step_s = max(subject.interval_s, period_s / GRID_STEPS)
    half_s = 1.5 * period_s + 0.25 * ends.window_after_s
    mids, widths = [], []
    for integral, mid, b, a in zip(integrals, ends.mid_s, ends.before, ends.after, strict=True):
        times = mid + 0.5 * period_s + np.arange(-half_s, half_s, step_s)
        found = edge_times(times, (moving_edge_profile(integral, times, period_s) - b) / (a - b), mid + 0.5 * period_s)
        if np.isnan(found.mid_s):
            return None
        mids.append(found.mid_s)
        widths.append(found.duration_s if np.isfinite(found.duration_s) else period_s)
    reach_s = REACH_PERIODS * period_s + 3.0 * float(np.median(widths))
    grid = np.arange(-reach_s, reach_s, max(step_s, reach_s / (8 * GRID_STEPS)))
    at = np.array(mids)
    return MovingEdge(grid, _profiles(integrals, at, grid, period_s), ends.before, ends.after, at, integrals)


def _profiles(integrals: Sequence[RunningIntegral], mids: Array, grid: Array, period_s: float) -> Array:
    return np.array([moving_edge_profile(f, grid, period_s, mid) for f, mid in zip(integrals, mids, strict=True)])


def smoothed_again(subject: Transition) -> Transition:
    """The transition averaged once more over the window that its preparation used; shows what that window does to a figure."""
    n = max(1, round(subject.smoothing_s / subject.interval_s))
    left, right = (n - 1) // 2, n - 1 - (n - 1) // 2
    padded = np.pad(subject.light, ((0, 0), (left, right)), mode="edge")
    sums = np.cumsum(np.pad(padded, ((0, 0), (1, 0))), axis=1)
    return replace(subject, light=(sums[:, n:] - sums[:, :-n]) / n)
