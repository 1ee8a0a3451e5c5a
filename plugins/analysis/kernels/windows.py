"""Polynomials in a nest of windows around one sample: the instant at which a trace crosses a level, and its height at a place.

The rules are those of `transition.crossing` and `transition.excursion`, which also say why. The tables come from
`transition.polynomial`: window w reaches `halves[w]` samples to each side.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .compiling import BOOL, CUBE, FLOAT, INT, MATRIX, NOTHING, OUT, VECTOR, WHOLE, compiled, inner

Array = NDArray[np.float64]

AGREE = 2.0
"""Half width of the confidence intervals, in standard deviations."""
SURE = 6.0
"""A window counts from where its slope stands out by this many standard deviations."""
CENTRED = 0.15
"""A window is moved when the crossing lies farther from its middle, as a part of its half width."""
LEAST_U = 1e-4
"""Least uncertainty of a crossing, in samples, by which windows are compared: lets noise-free traces choose by the change."""
MOVES = 8
"""Times that a window is moved, at most."""
TERMS = 6


@inner
def _newton(a0: float, a1: float, a2: float, a3: float) -> float:
    """Root of a cubic within -1..1 that Newton's steps from 0 lead to; NaN without one."""
    x, size = 0.0, math.inf
    for _ in range(5):
        change = (((a3 * x + a2) * x + a1) * x + a0) / ((3 * a3 * x + 2 * a2) * x + a1)
        if math.isnan(change):
            return math.nan
        change = min(max(change, -1.0), 1.0)
        x -= change
        size = abs(change)
        if size < 1e-4:
            break
    return x if size < 1e-2 and abs(x) <= 1.0 else math.nan


@inner
def _root(fit: Any, guess: float, limit: float, steps: int, close: float) -> float:
    """Root of a polynomial of degree 5 within -limit..limit that Newton's steps lead to; NaN without one."""
    x, size = guess, math.inf
    for _ in range(steps):
        value, slope = fit[5], 0.0
        for k in range(4, -1, -1):
            slope = slope * x + value
            value = value * x + fit[k]
        change = value / slope
        if math.isnan(change):
            return math.nan
        change = min(max(change, -limit), limit)
        x -= change
        size = abs(change)
        if size < close:
            break
    return x if size < 100 * close and abs(x) <= limit else math.nan


@inner
def _moments(samples: Any, centre: int, half: int, level: float, out: Any) -> None:
    """Sums of (sample - level) times powers 0 to 5 of i / half over -half <= i <= half."""
    s0, s1, s2, s3, s4, s5 = samples[centre] - level, 0.0, 0.0, 0.0, 0.0, 0.0
    scale = 1.0 / half
    for i in range(1, half + 1):
        right, left = samples[centre + i] - level, samples[centre - i] - level
        both, apart = right + left, right - left
        x = i * scale
        x2 = x * x
        s0 += both
        s1 += apart * x
        s2 += both * x2
        s3 += apart * (x2 * x)
        s4 += both * (x2 * x2)
        s5 += apart * (x2 * x2 * x)
    out[0], out[1], out[2], out[3], out[4], out[5] = s0, s1, s2, s3, s4, s5


@inner
def _solved(solve: Any, window: int, moments: Any, out: Any) -> None:
    """Coefficients of the polynomial of degree 5 from its moments."""
    for j in range(TERMS):
        value = 0.0
        for k in range(TERMS):
            value += solve[window, j, k] * moments[k]
        out[j] = value


@inner
def _grow(trace: Any, level: float, centre: int, done: int, half: int, sums: Any) -> None:
    """Let sums of (sample - level) times i^k, k = 0 to 3, over -done <= i <= done reach from -half to half."""
    s0, s1, s2, s3 = sums[0], sums[1], sums[2], sums[3]
    for i in range(done + 1, half + 1):
        right, left = trace[centre + i] - level, trace[centre - i] - level
        both, apart = right + left, right - left
        x = float(i)
        s0 += both
        s1 += apart * x
        s2 += both * (x * x)
        s3 += apart * (x * x * x)
    sums[0], sums[1], sums[2], sums[3] = s0, s1, s2, s3


@inner
def _value(fit: Any, x: float) -> float:
    """A polynomial of degree 5."""
    return float(((((fit[5] * x + fit[4]) * x + fit[3]) * x + fit[2]) * x + fit[1]) * x + fit[0])


@inner
def _slope(fit: Any, x: float) -> float:
    """Derivative of a polynomial of degree 5."""
    return float((((5 * fit[5] * x + 4 * fit[4]) * x + 3 * fit[3]) * x + 2 * fit[2]) * x + fit[1])


@inner
def _spread(gram: Any, window: int, x: float) -> float:
    """Standard deviation of the polynomial at x, for unit noise."""
    total, left = 0.0, 1.0
    for j in range(TERMS):
        right = 1.0
        for k in range(TERMS):
            total += left * gram[window, j, k] * right
            right *= x
        left *= x
    return math.sqrt(total)


@inner
def _straight(trace: Any, level: float, position: float) -> float:
    """Crossing of the straight line between two neighbouring samples that is nearest to a position; the position itself
    without one."""
    first, best = max(0, math.floor(position) - 1), position
    found = math.inf
    for i in range(first, min(first + 3, len(trace) - 1)):
        here, there = trace[i] - level, trace[i + 1] - level
        if here * there <= 0 and here != there:
            place = i + here / (here - there)
            if abs(place - position) < found:
                best, found = place, abs(place - position)
    return float(best)


@inner
def _within(position: float, samples: int, least: int) -> int:
    """The nearest sample around which the narrowest window has room."""
    return min(max(int(np.rint(position)), least), samples - 1 - least)


@inner
def _pick(
    trace: Any,
    level: float,
    centre: int,
    room: int,
    noise: float,
    rising: bool,
    back: int,
    halves: Any,
    cubic: Any,
    variances: Any,
    slopes: Any,
    places: Any,
) -> int:
    """Index of the window to take, -1 for none; `places` holds the crossing of each window's cubic.

    Windows grow while their intervals meet; the sums of one window are those of the one before and what lies between.
    """
    low, high, widest, first = -math.inf, math.inf, -1, -1
    sums = np.zeros(4)
    sums[0] = trace[centre] - level
    done = 0
    for w in range(len(halves)):
        half = halves[w]
        if half > room:
            break
        _grow(trace, level, centre, done, half, sums)
        done = half
        h = float(half)
        m0, m1, m2, m3 = sums[0], sums[1] / h, sums[2] / (h * h), sums[3] / (h * h * h)
        a0 = cubic[w, 0, 0] * m0 + cubic[w, 0, 1] * m1 + cubic[w, 0, 2] * m2 + cubic[w, 0, 3] * m3
        a1 = cubic[w, 1, 0] * m0 + cubic[w, 1, 1] * m1 + cubic[w, 1, 2] * m2 + cubic[w, 1, 3] * m3
        a2 = cubic[w, 2, 0] * m0 + cubic[w, 2, 1] * m1 + cubic[w, 2, 2] * m2 + cubic[w, 2, 3] * m3
        a3 = cubic[w, 3, 0] * m0 + cubic[w, 3, 1] * m1 + cubic[w, 3, 2] * m2 + cubic[w, 3, 3] * m3
        x = _newton(a0, a1, a2, a3)
        places[w] = x
        if math.isnan(x):
            continue
        slope = (a1 + x * (2 * a2 + 3 * a3 * x)) / h
        along = slope if rising else -slope
        # A slope that the noise of a narrow window made up would give a wrong crossing a small uncertainty.
        if not along > SURE * noise * slopes[w]:
            continue
        variance = variances[w, 6]
        for k in range(5, -1, -1):
            variance = variance * x + variances[w, k]
        u = noise * math.sqrt(variance) / along
        if not math.isfinite(u):
            continue
        if first < 0:
            first = w
        u = max(u, LEAST_U)
        low, high = max(low, x * h - AGREE * u), min(high, x * h + AGREE * u)
        if low > high:
            break
        widest = w
    return max(widest - back, first) if widest >= 0 else -1


@inner
def _without_each(
    rows: Any,
    stride: int,
    middle: int,
    half: int,
    x: float,
    levels: Any,
    quintic: Any,
    window: int,
    out: Any,
) -> None:
    """Positions at which the mean of all rows but one takes the level that belongs to it."""
    repeats = len(levels)
    fits, total, moments, fit = np.empty((repeats, TERMS)), np.zeros(TERMS), np.empty(TERMS), np.empty(TERMS)
    for r in range(repeats):
        _moments(rows, r * stride + middle, half, 0.0, moments)
        _solved(quintic, window, moments, fits[r])
        total += fits[r]
    for r in range(repeats):
        for k in range(TERMS):
            fit[k] = (total[k] - fits[r, k]) / (repeats - 1)
        fit[0] -= levels[r]
        out[r] = middle + half * _root(fit, x, 1.5, 12, 1e-9)


@compiled(
    BOOL,
    *(VECTOR, FLOAT, FLOAT, FLOAT, BOOL, INT, INT, BOOL),
    *(WHOLE, CUBE, MATRIX, VECTOR, CUBE, CUBE),
    *(CUBE, CUBE, VECTOR, INT, VECTOR, OUT, OUT),
)
def crossing(
    trace: Array,
    level: float,
    guess: float,
    noise: float,
    rising: bool,
    widest: int,
    back: int,
    sharp: bool,
    halves: NDArray[np.int64],
    cubic: Array,
    variances: Array,
    slopes: Array,
    quintic: Array,
    gram: Array,
    without_sensor: Array,
    without_window: Array,
    rows: Array,
    stride: int,
    levels: Array,
    out: Array,
    replicates: Array,
) -> bool:
    """The crossing of a level near a guess, also with each repeat left out.

    Args:
        trace: [sample] mean of the repeats.
        level: in the unit of the trace.
        guess: in samples.
        noise: standard deviation of one sample of the trace.
        rising: direction of the crossing.
        widest: limit of the half width.
        back: windows from the widest that agrees to the final one.
        sharp: whether nothing is undone, so that there are no shifts.
        halves, cubic, variances, slopes, quintic, gram: see `polynomial.Tables`.
        without_sensor, without_window: `quintic` with the one or the other not undone.
        rows: samples of the repeats, each `stride` after the one before.
        levels: [repeat] level with one repeat left out; empty for no replicates.
        out: [9] gets position, slope, centre, half, noise, bias, grid, shift by the sensor and by the window.
        replicates: [repeat] gets positions with one repeat left out, NaN where there is none.

    Returns:
        Whether there is a crossing.
    """
    n, least = len(trace), halves[0]
    limit = max(least, widest)
    centre = _within(guess, n, least)
    places, fit, moments = np.empty(len(halves)), np.empty(TERMS), np.empty(TERMS)
    seen = np.empty(MOVES, np.int64)
    found = False
    x = 0.0
    for move in range(MOVES):
        again = False
        for k in range(move):
            again |= seen[k] == centre
        if again:
            break
        seen[move] = centre
        room = min(limit, centre, n - 1 - centre)
        w = _pick(trace, level, centre, room, noise, rising, back, halves, cubic, variances, slopes, places)
        if w < 0:
            break
        half = halves[w]
        _moments(trace, centre, half, level, moments)
        _solved(quintic, w, moments, fit)
        root = _root(fit, places[w], 1.0, 20, 1e-12)
        if math.isnan(root):
            break
        found = True
        x = root
        position, slope = centre + half * x, _slope(fit, x) / half
        out[0], out[1], out[2], out[3] = position, slope, centre, half
        out[4] = noise * _spread(gram, w, x) / abs(slope)
        out[5] = half * (places[w] - x)
        out[6] = _straight(trace, level, position) - position if half < 2 * least and sharp else 0.0
        if abs(position - centre) <= max(0.5, CENTRED * half):
            break
        centre = _within(position, n, least)
    if not found:
        return False
    position, middle, half = out[0], int(out[2]), int(out[3])
    window = int(np.searchsorted(halves, half))
    if len(levels) > 1:
        _without_each(rows, stride, middle, half, x, levels, quintic, window, replicates)
    out[7], out[8] = 0.0, 0.0
    if not sharp:
        _moments(trace, middle, half, level, moments)
        _solved(without_sensor, window, moments, fit)
        root = _root(fit, x, 2.0, 12, 1e-12)
        out[7] = 0.0 if math.isnan(root) else position - (middle + half * root)
        _solved(without_window, window, moments, fit)
        root = _root(fit, x, 2.0, 12, 1e-12)
        out[8] = 0.0 if math.isnan(root) else position - (middle + half * root)
    return True


@compiled(
    NOTHING,
    *(VECTOR, FLOAT, INT, FLOAT, FLOAT, FLOAT),
    *(WHOLE, CUBE, MATRIX, CUBE, CUBE, VECTOR, INT, OUT, OUT),
)
def height(
    trace: Array,
    position: float,
    widest: int,
    noise: float,
    floor: float,
    top: float,
    halves: NDArray[np.int64],
    cubic: Array,
    variances: Array,
    quintic: Array,
    gram: Array,
    rows: Array,
    stride: int,
    out: Array,
    replicates: Array,
) -> None:
    """The trace at a place, from the polynomial of the widest window whose cubics agree there.

    Args:
        trace: [sample] mean of the repeats.
        position: in samples.
        widest: limit of the half width.
        noise: standard deviation of one sample of the trace.
        floor: least uncertainty by which windows are compared.
        top: +1 to move to the nearby maximum, -1 to the minimum, 0 to stay.
        halves, cubic, variances, quintic, gram: see `polynomial.Tables`.
        rows: samples of the repeats, each `stride` after the one before.
        out: [4] gets position, value, noise, slope.
        replicates: [repeat] gets values with one repeat left out; empty for none.
    """
    n, least = len(trace), halves[0]
    centre = _within(position, n, least)
    room = max(least, min(widest, centre, n - 1 - centre))
    low, high, window = -math.inf, math.inf, 0
    sums = np.zeros(4)
    sums[0] = trace[centre]
    done = 0
    for w in range(len(halves)):
        half = halves[w]
        if half > room:
            break
        _grow(trace, 0.0, centre, done, half, sums)
        done = half
        h = float(half)
        value = cubic[w, 0, 0] * sums[0] + cubic[w, 0, 1] * (sums[1] / h)
        value += cubic[w, 0, 2] * (sums[2] / (h * h)) + cubic[w, 0, 3] * (sums[3] / (h * h * h))
        u = max(noise * math.sqrt(max(variances[w, 0], 0.0)), floor)
        low, high = max(low, value - AGREE * u), min(high, value + AGREE * u)
        if low > high:
            break
        window = w
    half = halves[window]
    moments, fit = np.empty(TERMS), np.empty(TERMS)
    _moments(trace, centre, half, 0.0, moments)
    _solved(quintic, window, moments, fit)
    x = (position - centre) / half
    if top != 0.0:
        x, best = 0.0, -math.inf
        for k in range(121):
            at = (k - 60) * 0.01
            value = _value(fit, at)
            if top * value > best:
                x, best = at, top * value
    value = _value(fit, x)
    out[0], out[1] = centre + half * x, value
    out[2], out[3] = noise * _spread(gram, window, x), _slope(fit, x) / half
    repeats = len(replicates)
    if repeats > 1:
        total = 0.0
        for r in range(repeats):
            _moments(rows, r * stride + centre, half, 0.0, moments)
            _solved(quintic, window, moments, fit)
            replicates[r] = _value(fit, x)
            total += replicates[r]
        for r in range(repeats):
            replicates[r] = (total - replicates[r]) / (repeats - 1)
