"""Where a transition rests before and after: state levels with their windows, source, and what is wrong with them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from greystep.schema.trace import Curve
from numpy.typing import NDArray

from ..preparation.curve import level_light
from ..preparation.levels import asymptote, histogram_levels, resting_window
from .digitiser import dither, undithered
from .jackknife import leave_one_out
from .observation import Observation
from .refusal import Refusal

Array = NDArray[np.float64]
LevelSource = Literal["auto", "trace", "steady", "histogram"]

SETTLED = 5e-3
"""Part of the step that may still be missing at the end of a settled record; more makes the figure a bound."""
RESTING = 2e-5
"""Part of the step below which two blocks are equal, however small the noise."""
RIPPLED = 3e-4
"""The same where ripple was taken out: what is left of it is no movement of the level."""


@dataclass(frozen=True)
class Rest:
    """State levels of one transition, in light."""

    start: float
    end: float
    source: str
    """trace, steady, or histogram."""
    starts: Array
    """[repeat] start level as each repeat has it; all equal when the levels come from elsewhere."""
    ends: Array
    """[repeat]"""
    pre: int
    """One past the last sample of the start window."""
    post: int
    """First sample of the end window."""
    dither: float = math.inf
    """Noise of single samples, as far as it smooths the digitiser's steps."""
    u_start: float = 0.0
    """Standard uncertainty beyond the scatter of the repeats."""
    u_end: float = 0.0
    dof: tuple[float, float] = (math.inf, math.inf)
    """Degrees of freedom of `u_start`, `u_end`."""
    settled: bool = True
    missing: float = 0.0
    """Part of the step that the light still had to go at the end of the record, or, if larger, at its beginning."""
    flags: tuple[str, ...] = ()

    @property
    def step(self) -> float:
        """Signed amplitude."""
        return self.end - self.start

    @cached_property
    def moved(self) -> tuple[Array, Array]:
        """How far start and end level move when one repeat is left out, [repeat] each."""
        return (
            leave_one_out(self.starts) - self.starts.mean(),
            leave_one_out(self.ends) - self.ends.mean(),
        )


def rest_of(
    observation: Observation,
    from_level: int,
    to_level: int,
    curve: Curve | None,
    source: LevelSource,
    quantum: float,
    period: float = 0.0,
) -> Rest | Refusal:
    """State levels of a transition.

    `auto` takes the windows of the trace, which share the gain and the temperature of the transition itself, and checks
    them against the steady captures.

    Args:
        period: of the backlight's ripple, in samples; 0: none.
    """
    blocks, size = observation.blocks, observation.block
    span = float(blocks.max() - blocks.min())
    noise = math.hypot(observation.block_noise, (RIPPLED if "ripple" in observation.flags else RESTING) * span)
    n = len(blocks)
    if span <= 0:
        return _nothing(observation, from_level, to_level, curve)
    head = resting_window(blocks, noise)
    tail = resting_window(blocks, noise, backwards=True)
    if head >= n:
        return _nothing(observation, from_level, to_level, curve)
    rests = _trace_rest(observation, head * size, (n - tail) * size, quantum)
    found = _doubts(observation, rests, head, tail, span, period)
    if isinstance(found, Refusal):
        return found
    found = _against_curve(found, from_level, to_level, curve)
    if isinstance(found, Refusal):
        return found
    if source == "steady" and curve is not None:
        return _steady_rest(found, from_level, to_level, curve)
    if source == "histogram":
        return _histogram_rest(found, observation)
    return found


def _nothing(observation: Observation, from_level: int, to_level: int, curve: Curve | None) -> Refusal:
    flags = [*observation.flags, "no_transition"]
    text = f"no transition from {from_level} to {to_level} stands out from the noise"
    if curve is not None:
        step = level_light(curve, to_level)[0] - level_light(curve, from_level)[0]
        text += f"; the steady captures promise a step of {step:.3g}"
    return Refusal(text, tuple(flags))


def _trace_rest(observation: Observation, pre: int, post: int, quantum: float) -> Rest:
    after = observation.samples - post
    (start, scatter), (end, scatter_end) = observation.stretch(0, pre), observation.stretch(post, observation.samples)
    starts, ends = start / pre, end / after
    quiet = min(float(scatter.mean()) / pre, float(scatter_end.mean()) / after)
    noise = dither(quiet, observation.light[:, pre:post], quantum)
    u_code = undithered(quantum, noise)
    return Rest(float(starts.mean()), float(ends.mean()), "trace", starts, ends, pre, post, noise, u_code, u_code)


def _doubts(observation: Observation, rest: Rest, head: int, tail: int, span: float, period: float) -> Rest | Refusal:
    """Checks of the trace by itself: direction is left to `_against_curve`."""
    blocks = observation.blocks
    step = rest.step
    if abs(step) < 0.2 * span:
        return Refusal(
            "the light comes back to where it began: more than one transition, or none, in the record",
            (*observation.flags, "multiple_transitions"),
        )
    if head < 3:
        return Refusal(
            "the light already moves where the record begins: the start level can't be told",
            (*observation.flags, "at_edge"),
        )
    flags = set(observation.flags)
    late = observation.block * (len(blocks) - max(tail, len(blocks) // 8, _three_periods(observation, rest, period)))
    ahead_end = _missing(observation, slice(late, None, 1), rest.end, span, period)
    early = slice(observation.block * head - 1, None, -1)
    ahead_start = _missing(observation, early, rest.start, span, period) if head >= 6 else (0.0, 0.0)
    missing = max(abs(ahead_end[0]), abs(ahead_start[0])) / abs(step)
    settled = missing <= SETTLED and tail >= 3
    if not settled:
        flags.add("not_settled")
    return replace(
        rest,
        u_start=math.hypot(rest.u_start, ahead_start[0] / math.sqrt(3)),
        u_end=math.hypot(rest.u_end, ahead_end[0] / math.sqrt(3)),
        settled=settled,
        missing=missing,
        flags=tuple(sorted(flags)),
    )


def _three_periods(observation: Observation, rest: Rest, period: float) -> int:
    """Blocks in three periods of a ripple, which tell a trend whatever is left of it; 0 where the light is farther than a tenth
    of the step from its end so long before the record's."""
    if "ripple" not in observation.flags or period <= 0:
        return 0
    wanted = math.ceil((3 * period + 3) / observation.block) + 1
    away = np.flatnonzero(np.abs(observation.blocks - rest.end) > 0.1 * abs(rest.step))
    first = int(away[-1]) + 1 if len(away) else 0
    return wanted if len(observation.blocks) - wanted >= first else 0


def _missing(observation: Observation, part: slice, level: float, span: float, period: float) -> tuple[float, float]:
    """How far the light still has to go from a level at one end of the record, and the standard uncertainty of that.

    Args:
        part: the samples that rest there, the last one being that at the end of the record.
    """
    rippling = "ripple" in observation.flags
    # What is left of a ripple comes and goes with its period: where whole periods fit nothing of it makes a trend.
    whole = rippling and 0 < period <= len(range(*part.indices(observation.samples))) // 3
    floor = (RIPPLED if rippling and not whole else 0.0) * span
    noise = math.hypot(observation.noise, RESTING * span * math.sqrt(observation.block))
    found = asymptote(observation.mean[part], noise, floor=floor, period=period if whole else 0.0)
    return (0.0, 0.0) if found is None else (found[0] - level, found[1])


def _against_curve(rest: Rest, from_level: int, to_level: int, curve: Curve | None) -> Rest | Refusal:
    """Direction and size of the step against the steady captures."""
    sign = 1.0 if to_level > from_level else -1.0
    if curve is None:
        wrong = rest.step * sign < 0
    else:
        start, u_start, _ = level_light(curve, from_level)
        end, u_end, _ = level_light(curve, to_level)
        if start != end:
            sign = math.copysign(1.0, end - start)
        wrong = rest.step * sign < 0
    if wrong:
        way = "up" if sign > 0 else "down"
        return Refusal(f"the light moved against the step, which goes {way}", (*rest.flags, "wrong_direction"))
    if curve is None or not rest.settled:
        return rest
    off = max(_off(rest.starts, rest.start, rest.u_start, start, u_start), _off(rest.ends, rest.end, rest.u_end, end, u_end))
    # Beyond three standard uncertainties, and large enough to be worth a word.
    apart = max(abs(rest.start - start), abs(rest.end - end)) > 2e-3 * abs(rest.step)
    if off > 3 and apart:
        return replace(rest, flags=tuple(sorted({*rest.flags, "levels_disagree"})))
    return rest


def _off(repeats: Array, level: float, u_level: float, steady: float, u_steady: float) -> float:
    scatter = float(repeats.std(ddof=1)) / math.sqrt(len(repeats)) if len(repeats) > 1 else 0.0
    u = math.sqrt(scatter**2 + u_level**2 + u_steady**2)
    return abs(level - steady) / u if u > 0 else math.inf if level != steady else 0.0


def _steady_rest(rest: Rest, from_level: int, to_level: int, curve: Curve) -> Rest:
    start, u_start, dof_start = level_light(curve, from_level)
    end, u_end, dof_end = level_light(curve, to_level)
    same = np.ones(len(rest.starts))
    return replace(
        rest,
        start=start,
        end=end,
        source="steady",
        starts=start * same,
        ends=end * same,
        u_start=u_start,
        u_end=u_end,
        dof=(dof_start, dof_end),
    )


def _histogram_rest(rest: Rest, observation: Observation) -> Rest:
    low, high = histogram_levels(observation.mean)
    bin_width = float(np.ptp(observation.mean)) / 100
    start, end = (low, high) if rest.step > 0 else (high, low)
    same = np.ones(len(rest.starts))
    u = bin_width / math.sqrt(12)
    return replace(rest, start=start, end=end, source="histogram", starts=start * same, ends=end * same, u_start=u, u_end=u)
