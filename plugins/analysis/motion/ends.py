"""State levels of a step from windows of its own record, and where the step is (IEEE 181: state levels, 50 % instant)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from greystep.schema.trace import Array, Transition
from numpy.typing import NDArray

from ..findings import shared
from ..transition.digitiser import undithered
from ..transition.noise import noise_of
from ..transition.repeats import repeats_of
from .crossing import Rise

EDGE_PART = 0.05
"""Coarse levels come from this part of the record at its start, and twice this part at its end."""
WINDOW_PART = 1 / 3
"""The end level is the mean over this last part of the record after the 50 % instant."""
MIN_SAMPLES = 4
TREND = 3.5
"""Two thirds of a tail show a trend when they differ by this many standard uncertainties; one in 2000 does by chance."""
SIGNIFICANT = 5.0
"""A change is a step when it exceeds this many standard uncertainties of the change."""


@dataclass(frozen=True)
class StepEnds:
    """Levels and place of the step in each repeat. Arrays are [repeat] in the light's unit or in s."""

    rows: NDArray[np.intp]
    """[repeat] indices of the repeats that could be read."""
    before: Array
    """Start level."""
    after: Array
    """End level."""
    mid_s: Array
    """50 % instant of the sampled light, on the record's time axis."""
    noise: float
    """Standard deviation of one sample."""
    u_before: float
    """Standard uncertainty of the mean start level from the noise within its window."""
    u_after: float
    remaining: float
    """Estimated change of the light after the record's end, averaged over repeats, signed."""
    u_remaining: float
    window_before_s: float
    """Length of the shortest window for the start level, in s."""
    window_after_s: float
    flags: tuple[str, ...] = ()

    @property
    def amplitude(self) -> float:
        """Mean change over the repeats, signed."""
        return float(np.mean(self.after - self.before))


@dataclass(frozen=True)
class NoStep:
    """Why a record can't be read as one step."""

    reason: str
    flags: tuple[str, ...] = field(default=())


def ends_of(subject: Transition, rising: bool, period_s: float) -> StepEnds | NoStep:
    """`find_ends` of a transition; worked out once for all methods that ask."""

    def make() -> StepEnds | NoStep:
        return find_ends(subject.light, subject.start_s, subject.interval_s, rising, period_s, subject.quantum)

    return shared(subject, "ends", (rising, period_s), make)


def find_ends(
    light: Array, start_s: float, interval_s: float, rising: bool, period_s: float, quantum: float
) -> StepEnds | NoStep:
    """Find the levels before and after the step in every repeat.

    The start level is the mean over the record up to the mirror image of the 5 %-to-50 % time before the 5 % instant; the end
    level over the last third after the 50 % instant; both over whole periods where at least one fits, so that modulation at
    the refresh rate does not shift them.

    Args:
        light: [repeat, sample].
        start_s: time of the first sample; time 0 is the level command, before which nothing can have changed.
        interval_s: between samples.
        rising: direction that the levels ask for.
        period_s: refresh period.
        quantum: one code of the digitiser in the light's unit.
    """
    rows = np.flatnonzero(np.isfinite(light).all(axis=1))
    lost = ("bad_samples",) if len(rows) < len(light) else ()
    if len(rows) == 0:
        return NoStep("no repeat without missing or infinite samples", lost)
    y = light if len(rows) == len(light) else light[rows]
    samples = y.shape[1]
    if samples < 4 * MIN_SAMPLES:
        return NoStep(f"only {samples} samples in the record", (*lost, "few_samples"))
    n_first = max(MIN_SAMPLES, int(EDGE_PART * samples))
    n_last = 2 * n_first
    noise = sample_noise(y, quantum)
    first, last = _medians(y, 0, n_first), _medians(y, samples - n_last, samples)
    change = float(np.mean(last - first))
    u_change = noise * np.sqrt(1.57 * (1 / n_first + 1 / n_last) / len(rows))
    if abs(change) <= max(SIGNIFICANT * u_change, 2 * quantum, 1e-12 * float(np.abs((first, last)).max())):
        return NoStep("the light does not change by more than its noise", (*lost, "no_transition"))
    if (change > 0) != rising:
        return NoStep("the light moves against the direction of the step", (*lost, "wrong_direction"))
    if noise > abs(change):
        return NoStep("the noise of a sample is larger than the step", (*lost, "noisy"))
    return _measure(y, rows, (first, last), start_s, interval_s, period_s, noise, quantum, lost)


def _medians(light: Array, first: int, last: int) -> Array:
    """[repeat] median over some samples."""
    from ..kernels.motion import row_medians

    rows, out = repeats_of(light), np.empty(len(light))
    row_medians(rows.rows, rows.stride, len(light), first, last, out)
    return out


def sample_noise(light: Array, quantum: float) -> float:
    """Standard deviation of one sample of a repeat: root mean square over the repeats, at least q/sqrt(12)."""
    rows = np.array([noise_of(row) for row in light])
    return float(max(np.sqrt(np.mean(rows**2)), quantum / np.sqrt(12.0)))


@dataclass(frozen=True)
class _Windows:
    """Levels of one repeat, and the windows that they come from, in samples."""

    before: float
    after: float
    half: float
    """Position of the 50 % instant."""
    n_before: int
    n_after: int


def _windows(trace: Array, first: float, last: float, command: float, period: float, noise: float) -> _Windows | NoStep:
    """Levels of one repeat. `command` is the position of the level command, `period` the refresh period, in samples."""
    if last == first:
        return NoStep("one repeat shows no step", ("no_transition",))
    unit = (trace - first) / (last - first)
    rise = Rise(unit)
    half, onset = rise.crossing(0.5), rise.crossing(0.05)
    stop = int(max(2.0 * onset - half, min(max(command, 0.0), onset)))
    n_before = whole_periods(stop, period)
    n_after = whole_periods(int((len(trace) - 1 - half) * WINDOW_PART), period)
    if n_before < MIN_SAMPLES or n_after < 2 * MIN_SAMPLES:
        edge = "starts" if n_before < MIN_SAMPLES else "ends"
        return NoStep(f"the step stands where the record {edge}: no samples for the level there", ("at_edge",))
    start = trace[stop - n_before : stop]
    before = float(np.mean(start))
    if not _rests(start, last - before, noise):
        return NoStep("the light already moves where the record starts: no start level", ("at_edge",))
    return _Windows(before, float(np.mean(trace[-n_after:])), half, n_before, n_after)


def _measure(
    y: Array,
    rows: NDArray[np.intp],
    coarse: tuple[Array, Array],
    start_s: float,
    interval_s: float,
    period_s: float,
    noise: float,
    quantum: float,
    flags: tuple[str, ...],
) -> StepEnds | NoStep:
    period, command = period_s / interval_s, -start_s / interval_s
    found = []
    for trace, first, last in zip(y, *coarse, strict=True):
        one = _windows(trace, float(first), float(last), command, period, noise)
        if isinstance(one, NoStep):
            return NoStep(one.reason, (*flags, *one.flags))
        found.append(one)
    before, after, half = (np.array([getattr(w, name) for w in found]) for name in ("before", "after", "half"))
    if count_crossings(np.mean(y, axis=0), float(np.mean(before)), float(np.mean(after)), period) > 1:
        return NoStep("the light passes the middle between its levels more than once", (*flags, "multiple_transitions"))
    n_before, n_after = min(w.n_before for w in found), min(w.n_after for w in found)
    remaining, u_remaining = remaining_after(np.mean(y[:, -n_after:], axis=0), noise / np.sqrt(len(y)), period)
    digit = undithered(quantum, noise)
    return StepEnds(
        rows=rows,
        before=before,
        after=after,
        mid_s=start_s + interval_s * half,
        noise=noise,
        u_before=float(np.hypot(noise / np.sqrt(n_before * len(y)), digit)),
        u_after=float(np.hypot(noise / np.sqrt(n_after * len(y)), digit)),
        remaining=remaining,
        u_remaining=u_remaining,
        window_before_s=n_before * interval_s,
        window_after_s=n_after * interval_s,
        flags=flags,
    )


def _rests(window: Array, step: float, noise: float) -> bool:
    """Whether the halves of a window agree, to a tenth of the step or within the noise."""
    half = len(window) // 2
    gap = abs(float(window[:half].sum() - window[-half:].sum())) / half
    return gap <= max(0.1 * abs(step), SIGNIFICANT * noise * math.sqrt(2.0 / half))


def whole_periods(samples: int, period: float) -> int:
    """Largest whole number of periods within `samples`, in samples; `samples` itself when not one period fits."""
    count = int(samples / period) if period >= 1 else 0
    return round(count * period) if count else samples


def remaining_after(tail: Array, noise: float, period: float = 0.0) -> tuple[float, float]:
    """Change that is still to come after the end of a tail, if it goes on as a decaying exponential (Aitken).

    With the means a, b, c of the three thirds: q = (c - b)/(b - a), still to come after the mean of the last third
    (c - b) q / (1 - q), and as seen from the mean over the whole tail the difference to it on top.

    Args:
        tail: [sample] the end of the mean record.
        noise: standard deviation of one sample of it.
        period: in samples; the thirds are whole periods where three fit, so that modulation does not look like a trend.

    Returns:
        the end state minus the mean of the tail, and its standard uncertainty from the noise. q is held within 0 to 0.9: beyond
        that the tail is as good as a straight line and any end is possible.
    """
    third = len(tail) // 3
    if 1 <= period <= third:
        third = whole_periods(third, period)
        tail = tail[-3 * third :]
    a, b, c = (float(np.mean(tail[i * third : (i + 1) * third])) for i in range(3))
    u_step = noise * np.sqrt(2.0 / third)
    d1, d2 = b - a, c - b
    if abs(d2) <= TREND * u_step:
        q = 0.0
    elif abs(d1) <= abs(d2) or d1 * d2 <= 0:
        q = 0.9 if d1 * d2 > 0 else 0.0
    else:
        q = min(d2 / d1, 0.9)
    to_come = d2 * q / (1.0 - q) + (c - (a + b + c) / 3.0)
    return to_come, float(u_step * (1.0 + q / (1.0 - q)))


def count_crossings(trace: Array, before: float, after: float, period: float) -> int:
    """How often the trace, averaged over a period, passes from below 40 % to above 60 % of the step or back."""
    from ..kernels.motion import half_passes

    window = int(np.clip(round(period), 1, max(1, len(trace) // 8)))
    return int(half_passes(trace, before, after, window))
