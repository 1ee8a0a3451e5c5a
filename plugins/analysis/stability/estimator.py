"""The estimator `warm-up`: time to stable, remaining drift and Allan deviation of a slow series of the light."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, ClassVar

import numpy as np
from greystep.schema.capture import Kind
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.model import Model
from greystep.schema.trace import Array, Context, Series, Subject
from pydantic import BaseModel, Field

from .allan import effective_dof, overlapping_allan_deviation
from .drift import Drift, drift_over
from .settle import Settling, settling

QUANTITIES = {"time_to_stable": "s", "drift": "1", "allan_deviation": "1"}


class WarmUpParameters(Model):
    """Parameters of warm-up and drift."""

    band_percent: Annotated[float, Field(gt=0, le=50)] = 1.0
    """Stable when the light stays within this of its final level, in %."""
    window_s: Annotated[float, Field(gt=0, le=7200)] = 60.0
    """The final level and the remaining drift are taken over this time at the end of the series, in s."""
    averaging_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    """Averaging time of the Allan deviation, in s; rounded to whole reading intervals."""


class WarmUpEstimator:
    """Time to stable (s), drift over the last window and overlapping Allan deviation (both as a part of the light).

    time to stable: last entry into L (1 +- band), L the mean over the last window.
    drift: |slope of a least-squares line| times window / mean, over the last window.
    Allan deviation: of the readings since they were stable, divided by their mean. Source: NIST SP 1065.
    """

    id: ClassVar[str] = "warm-up"
    version: ClassVar[int] = 1
    title: ClassVar[str] = "Warm-up and drift of the light"
    kinds: ClassVar[frozenset[Kind]] = frozenset({"trend"})
    Parameters: ClassVar[type[BaseModel]] = WarmUpParameters

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """Three figures of one series; bounds where it ended too early, reasons where it can't be read."""
        assert isinstance(parameters, WarmUpParameters)
        if not isinstance(subject, Series) or subject.kind != "trend":
            return []
        times_s, values, flags = _readings(subject)
        if len(times_s) < 6:
            return _refused(subject, f"only {len(times_s)} readings", (*flags, "few_samples"))
        found = settling(times_s, values, parameters.band_percent / 100.0, parameters.window_s)
        drift = drift_over(times_s, values, parameters.window_s)
        if found is None or drift is None:
            reason = f"fewer than four readings in the last {parameters.window_s:g} s, or no light above dark"
            return _refused(subject, reason, flags)
        return [
            _time_to_stable(subject, times_s, found, context, parameters, flags),
            _drift(subject, drift, context, parameters, flags),
            _allan(subject, times_s, values, found, context, parameters, flags),
        ]

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """Nothing: each series speaks for itself."""
        del figures, context, parameters
        return []

    def explain(self, parameters: BaseModel) -> str:
        """The method in words with its formula."""
        assert isinstance(parameters, WarmUpParameters)
        p = parameters
        return (
            f"The final level L is the mean of the last {p.window_s:g} s. Time to stable is the last entry of the "
            f"light into L × (1 ± {p.band_percent:g} %), by monotone regression of the distance from L after the "
            "last clear exit; a series that would still leave the band, judged by how its trend decays, gives a lower "
            f"bound. Remaining drift is the slope of a least-squares line over the last {p.window_s:g} s times "
            f"{p.window_s:g} s, as a part of L. The overlapping Allan deviation at {p.averaging_s:g} s is that of the "
            "readings since they were stable, as a part of their mean: σ² = Σ(Σ(y(i+m) − y(i)))² / (2 m² (M − 2m + "
            "1)), NIST SP 1065. Uncertainty: noise of the readings, change still to come, reading interval, time "
            "base; for the Allan deviation its degrees of freedom."
        )


def _readings(subject: Series) -> tuple[Array, Array, tuple[str, ...]]:
    """Times and mean over the segments, without readings that are missing."""
    values = np.atleast_2d(subject.values)
    if values.size == 0:
        return np.empty(0), np.empty(0), flags_of(subject.flags)
    mean = np.mean(values, axis=0)
    good = np.isfinite(mean) & np.isfinite(subject.times_s)
    good[1:] &= np.diff(subject.times_s) > 0
    flags = flags_of(subject.flags, () if bool(good.all()) else ("bad_samples",))
    return subject.times_s[good], mean[good], flags


def _level(subject: Series) -> int | None:
    return subject.levels[0] if len(set(subject.levels)) == 1 else None


def _refused(subject: Series, reason: str, flags: Sequence[str]) -> list[Figure]:
    level, marks = _level(subject), flags_of(flags)
    return [Figure(q, math.nan, unit, None, level, reason=reason, flags=marks) for q, unit in QUANTITIES.items()]


def _time_to_stable(
    subject: Series, times_s: Array, found: Settling, context: Context, p: WarmUpParameters, flags: tuple[str, ...]
) -> Figure:
    level, n = _level(subject), len(times_s)
    band = p.band_percent / 100.0
    interval_s = float(np.median(np.diff(times_s)))
    detail = {"final": found.final, "band": band, "remaining": found.remaining, "noise": found.noise}
    to_come = max(abs(found.remaining) - 2.0 * found.u_remaining, 0.0)
    if to_come > band or found.time_s > times_s[-1] - 0.5 * p.window_s:
        reason = f"the light was still changing when the series ended after {times_s[-1]:.6g} s"
        marks = flags_of(flags, ("not_settled",))
        return Figure("time_to_stable", float(times_s[-1]), "s", None, level, (), ">=", reason, marks, n, detail)
    if found.never_outside:
        reason = "within the band from the first reading on"
        return Figure("time_to_stable", float(times_s[0]) + interval_s, "s", None, level, (), "<=", reason, flags, n, detail)
    # A final level that is off moves the band, and with it the entry by that much over the slope; nothing for a sudden entry.
    per_level_s = 1.0 / found.slope_s if found.slope_s > 0 else 0.0
    lines = [
        Component("noise of the readings", found.u_time_s, n - 1.0, "A"),
        Component("final level", found.u_final * per_level_s, n - 1.0, "A"),
        Component("change still to come", abs(found.remaining) / math.sqrt(3.0) * per_level_s, distribution="rectangular"),
        Component("reading interval", interval_s / math.sqrt(12.0), distribution="rectangular"),
        Component("time base", found.time_s * context.timebase_rel_u, shared="timebase"),
    ]
    return Figure("time_to_stable", found.time_s, "s", None, level, tuple(lines), flags=flags, repeats=n, detail=detail)


def _drift(subject: Series, drift: Drift, context: Context, p: WarmUpParameters, flags: tuple[str, ...]) -> Figure:
    level, n = _level(subject), int(drift.dof) + 2
    detail = {"signed": drift.relative, "window_s": p.window_s, "mean": drift.mean}
    lines = (
        Component("scatter about the line", drift.u, drift.dof, "A", distribution="t"),
        Component("time base", abs(drift.relative) * context.timebase_rel_u, shared="timebase"),
    )
    size = abs(drift.relative)
    if size > 2.0 * drift.u:
        return Figure("drift", size, "1", None, level, lines, flags=flags, repeats=n, detail=detail)
    reason = "no drift stands out from the noise"
    return Figure("drift", size + 2.0 * drift.u, "1", None, level, (), "<=", reason, flags, n, detail)


def _allan(
    subject: Series,
    times_s: Array,
    values: Array,
    found: Settling,
    context: Context,
    p: WarmUpParameters,
    flags: tuple[str, ...],
) -> Figure:
    del context
    level = _level(subject)
    stable = times_s >= found.time_s if not found.never_outside else np.ones(len(times_s), dtype=bool)
    t, y = times_s[stable], values[stable]
    steps = np.diff(t)
    interval_s = float(np.median(steps)) if len(steps) else math.nan
    m = max(1, round(p.averaging_s / interval_s)) if interval_s > 0 else 1
    if len(y) < 2 * m + 1:
        reason = f"only {len(y)} readings once it was stable: too few for an averaging time of {p.averaging_s:g} s"
        return Figure("allan_deviation", math.nan, "1", None, level, reason=reason, flags=flags, repeats=len(y))
    if float(np.max(np.abs(steps - interval_s))) > 0.2 * interval_s:
        grid = np.linspace(t[0], t[-1], round((t[-1] - t[0]) / interval_s) + 1)
        if float(np.max(steps)) > 3.0 * interval_s:
            reason = "the readings have gaps: an Allan deviation needs even intervals"
            return Figure("allan_deviation", math.nan, "1", None, level, reason=reason, flags=flags, repeats=len(y))
        y = np.interp(grid, t, y)
    mean = float(np.mean(y))
    value = overlapping_allan_deviation(y / mean, m)
    if not math.isfinite(value):
        reason = "too few evenly spaced readings once it was stable"
        return Figure("allan_deviation", math.nan, "1", None, level, reason=reason, flags=flags, repeats=len(y))
    dof = effective_dof(len(y), m)
    lines = (Component("scatter of a deviation", value / math.sqrt(2.0 * dof), dof, "A"),)
    detail = {"averaging_s": m * interval_s, "readings": float(len(y)), "mean": mean}
    return Figure("allan_deviation", value, "1", None, level, lines, flags=flags, repeats=len(y), detail=detail)
