"""Inner loops of the moving edge and of delay: monotone regression, profiles, edge times, Gaussian edges.

The rules, and where they come from, stand in `motion.crossing`, `motion.profile`, `motion.edge_time` and `motion.gaussian`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .compiling import BOOL, FLOAT, INT, NOTHING, OUT, VECTOR, compiled, inner

Array = NDArray[np.float64]

BLOCK = 128
"""Samples that are looked at together before they are looked at one by one."""


@compiled(NOTHING, VECTOR, OUT, OUT)
def block_sums(unit: Array, sums: Array, lows: Array) -> None:
    """Sum and least sample of each block."""
    for b in range(len(sums)):
        part = unit[b * BLOCK : min((b + 1) * BLOCK, len(unit))]
        total, low = 0.0, math.inf
        for i in range(len(part)):
            total += part[i]
            low = part[i] if part[i] < low else low
        sums[b], lows[b] = total, low


@compiled(INT, VECTOR, VECTOR, VECTOR, FLOAT, INT)
def least_running_sum(unit: Array, sums: Array, lows: Array, level: float, n: int) -> int:
    """Sample of the least running sum of trace minus level among the first n; -1 when no sum is below 0.

    The sums and least samples of blocks tell in which few of them it can lie; only those are summed sample by sample.
    """
    whole = n // BLOCK
    known, running = 0.0, 0.0
    for b in range(whole):
        running += sums[b] - BLOCK * level
        known = min(known, running)
    # What rounding may add to sums over a whole record.
    known += 1e-9 * (1 + abs(known))
    least, at, running = 0.0, -1, 0.0
    for b in range(whole + 1):
        if b == whole or running + BLOCK * min(lows[b] - level, 0.0) <= known:
            part, here = unit[b * BLOCK : min((b + 1) * BLOCK, n)], running
            for i in range(len(part)):
                here += part[i] - level
                if here < least:
                    least, at = here, b * BLOCK + i
        if b < whole:
            running += sums[b] - BLOCK * level
    return at


@compiled(NOTHING, VECTOR, FLOAT, OUT)
def running_integral(light: Array, interval: float, sums: Array) -> None:
    """[sample] integral of the trace, drawn with straight lines, up to each sample."""
    sums[0] = 0.0
    for i in range(1, len(light)):
        sums[i] = sums[i - 1] + (light[i] + light[i - 1]) * (0.5 * interval)


@inner
def _integral(light: Any, sums: Any, start: float, interval: float, before: float, after: float, time: float) -> float:
    """Integral of the trace up to a time; beyond its ends it keeps two levels."""
    last = len(light) - 1
    place = (time - start) / interval
    if place <= 0:
        return float(place * interval * before)
    if place >= last:
        return float(sums[last] + (place - last) * interval * after)
    i = int(place)
    rest = (place - i) * interval
    return float(sums[i] + rest * (light[i] + 0.5 * ((light[i + 1] - light[i]) / interval) * rest))


@compiled(NOTHING, VECTOR, VECTOR, FLOAT, FLOAT, FLOAT, FLOAT, VECTOR, FLOAT, FLOAT, OUT)
def profile(
    light: Array,
    sums: Array,
    start: float,
    interval: float,
    before: float,
    after: float,
    times: Array,
    shift: float,
    period: float,
    out: Array,
) -> None:
    """Mean of the trace over the period before each time; over no period the integral up to it.

    Args:
        light: [sample]
        sums: [sample] from `running_integral`.
        start: time of the first sample.
        interval: between samples.
        before, after: levels that held before and after the record.
        times: [time]
        shift: is added to the times.
        period: 0 for the integral itself.
        out: [time]
    """
    for k in range(len(times)):
        time = times[k] + shift
        here = _integral(light, sums, start, interval, before, after, time)
        if period > 0:
            out[k] = (here - _integral(light, sums, start, interval, before, after, time - period)) / period
        else:
            out[k] = here


@inner
def _between(times: Any, values: Any, i: int, level: float) -> float:
    rise = values[i + 1] - values[i]
    part = (level - values[i]) / rise if rise > 0 else 0.0
    return float(times[i] + part * (times[i + 1] - times[i]))


@compiled(BOOL, VECTOR, VECTOR, FLOAT, FLOAT, FLOAT, OUT)
def passages(times: Array, values: Array, near: float, low: float, high: float, out: Array) -> bool:
    """Instants at which a rising profile passes a low level, a half and a high one, NaN for none.

    Args:
        times: [time] ascending.
        values: [time]
        near: the passage of the half nearest to this time counts; the low one before it and the high one after it.
        out: [3]

    Returns:
        Whether it passes the half.
    """
    at, far = -1, math.inf
    for i in range(len(values) - 1):
        if values[i] < 0.5 <= values[i + 1] and abs(times[i] - near) < far:
            at, far = i, abs(times[i] - near)
    out[:] = math.nan
    if at < 0:
        return False
    out[1] = _between(times, values, at, 0.5)
    for i in range(at, -1, -1):
        if values[i] <= low:
            out[0] = _between(times, values, i, low)
            break
    for i in range(at + 1, len(values)):
        if values[i] >= high:
            out[2] = _between(times, values, i - 1, high)
            break
    return True


@inner
def _normal(times: Any, values: Any, mu: float, log_s: float, out: Any) -> float:
    """Sum of the squared distances of a Gaussian edge from a profile; `out` gets the normal equations of a step."""
    sigma = math.exp(log_s)
    total, a, b, c, g, h = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(len(times)):
        z = (times[i] - mu) / sigma
        left = values[i] - 0.5 * math.erfc(z * -math.sqrt(0.5))
        by_mu = -math.exp(-0.5 * z * z)
        by_log = by_mu * z
        total += left * left
        a += by_mu * by_mu
        b += by_mu * by_log
        c += by_log * by_log
        g += by_mu * left
        h += by_log * left
    # All of these times 1 / sqrt(2 pi), and 1 / sigma for mu.
    scale = 1 / math.sqrt(2 * math.pi)
    out[0], out[1], out[2] = a * (scale / sigma) ** 2, b * scale * scale / sigma, c * scale * scale
    out[3], out[4] = g * scale / sigma, h * scale
    return total


@compiled(FLOAT, VECTOR, VECTOR, FLOAT, FLOAT, OUT)
def gaussian_edge(times: Array, values: Array, mu: float, log_s: float, out: Array) -> float:
    """Least-squares fit of a Gaussian edge to a normalised profile (Gauss-Newton with step halving).

    Args:
        times: [time]
        values: [time]
        mu: first guess of its middle.
        log_s: first guess of the logarithm of its standard deviation.
        out: [2] gets both.

    Returns:
        Sum of the squared residuals.
    """
    normal = np.empty(5)
    now = _normal(times, values, mu, log_s, normal)
    for _ in range(60):
        a, b, c, g, h = normal[0], normal[1], normal[2], normal[3], normal[4]
        det = max(a * c - b * b, 1e-300)
        step, wider = (c * g - b * h) / det, min(max((a * h - b * g) / det, -1.0), 1.0)
        size = 1.0
        trial = _normal(times, values, mu + step, log_s + wider, normal)
        for _ in range(20):
            if not trial > now * (1 + 1e-12):
                break
            size *= 0.5
            trial = _normal(times, values, mu + size * step, log_s + size * wider, normal)
        mu, log_s, now = mu + size * step, log_s + size * wider, trial
        if abs(wider) + abs(step) / math.exp(log_s) < 1e-10:
            break
    out[0], out[1] = mu, log_s
    return now


@compiled(NOTHING, VECTOR, INT, INT, INT, INT, OUT)
def row_medians(rows: Array, stride: int, repeats: int, first: int, last: int, out: Array) -> None:
    """[repeat] median of the samples from `first` to before `last` of each row."""
    for r in range(repeats):
        out[r] = np.median(rows[r * stride + first : r * stride + last])


@compiled(INT, VECTOR, FLOAT, FLOAT, INT)
def half_passes(trace: Array, before: float, after: float, window: int) -> int:
    """How often the trace, averaged over a window, passes from below 40 % to above 60 % of a step or back."""
    scale, running = 1.0 / ((after - before) * window), 0.0
    state, count = 0, 0
    for i in range(len(trace)):
        running += trace[i] - before
        if i >= window:
            running -= trace[i - window] - before
        if i >= window - 1:
            part = running * scale
            here = 1 if part > 0.6 else -1 if part < 0.4 else 0
            if here != 0:
                count += state not in (0, here)
                state = here
    return count
