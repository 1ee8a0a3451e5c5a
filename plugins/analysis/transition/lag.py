"""Mean lag: the area between the ideal step and the real one."""

from __future__ import annotations

import math

import numpy as np
from greystep.schema.figure import Component, Figure

from .jackknife import leave_one_out, standard_error
from .outcome import plain, refused
from .refusal import Refusal
from .timing import Timing, timing_budget
from .transit import Transit


def mean_lag(transit: Transit) -> Figure:
    """Area between the ideal step at the onset and the real one, divided by the step: the mean delay of the light."""
    begin = transit.onset
    if isinstance(begin, Refusal):
        return refused(transit, "mean_lag", "s", begin)
    o, rest = transit.observation, transit.rest
    first, last = rest.pre, rest.post
    rows, _ = o.stretch(first, last)
    count = last - first
    lag = first - 0.5 + (count * rest.end - float(rows.mean())) / rest.step
    value = (lag - begin.timing.samples) * o.interval_s
    smear = transit.smear
    value -= smear.pole * smear.poles * o.interval_s if smear.poles else 0.0
    budget = [
        Component("extrapolation of the onset", begin.u_model * o.interval_s),
        _lag_scatter(transit, begin.timing, rows, count),
    ]
    per_end = (count - (lag - first + 0.5)) / rest.step
    per_start = (lag - first + 0.5) / rest.step
    budget.append(Component("start level", per_start * rest.u_start * o.interval_s, rest.dof[0]))
    budget.append(Component("end level", per_end * rest.u_end * o.interval_s, rest.dof[1]))
    budget.append(Component("time base", transit.context.timebase_rel_u * value, shared="timebase"))
    extra = timing_budget(begin.timing, o, rest, transit.context, transit.subject.quantum, transit.ripple)
    names = {"scatter of the repeats", "noise of the trace", "time base", "start level", "end level"}
    budget += [c for c in extra if c.name not in names]
    return plain(transit, "mean_lag", value, "s", [c for c in budget if c.effect])


def _lag_scatter(transit: Transit, begin: Timing, rows: np.ndarray, count: int) -> Component:
    o, rest = transit.observation, transit.rest
    if o.repeats > 1:
        low, high = leave_one_out(rest.starts), leave_one_out(rest.ends)
        if rest.source != "trace":
            low, high = np.full_like(low, rest.start), np.full_like(high, rest.end)
        lags = (count * high - leave_one_out(rows)) / (high - low) - begin.replicates
        u = standard_error(lags) * o.interval_s
        if math.isfinite(u):
            return Component("scatter of the repeats", u, o.repeats - 1, "A", distribution="t")
    parts = [w * i.crossing.u_noise for w, i in begin.terms]
    area = o.noise * math.sqrt(count) / abs(rest.step)
    return Component("noise of the trace", math.hypot(area, *parts) * o.interval_s, max(1.0, count - 1.0), "A")
