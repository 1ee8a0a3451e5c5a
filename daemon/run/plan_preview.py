"""A plan looked at on the bench before it runs: each of its transitions once, and whether its settings suit them.

Toggles as the plan does, so the plan's own acknowledgement of flashing holds. Ends at level 0; nothing is archived.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from greystep.daemon.planner.advice import SAMPLES_IN_TRANSITION, Wanted, advise, expanded, scatter_of_one
from greystep.schema.plan import Plan
from greystep.schema.roles import ChannelSetup, CheckResult
from numpy.typing import NDArray

from .bench_check import BenchFigures, known, result, rise_s, take_once, volts
from .ranges import range_for
from .rig import Rig

LEAST_CODES = 64
"""A step of fewer codes of the converter is coarse: its reference levels lie within a code or two of each other."""
_SMOOTHED = 0.02
"""Noise is averaged down to this part of the step before a single transition is timed."""


@dataclass(frozen=True)
class Seen:
    """One transition of the plan, seen once."""

    from_level: int
    to_level: int
    step_v: float
    """Distance of the two held levels, in V."""
    duration_s: float
    """10 % to 90 %; NaN where the noise hides it or it did not end within the hold."""

    @property
    def name(self) -> str:
        """For people."""
        return f"{self.from_level} to {self.to_level}"


@dataclass(frozen=True)
class Preview:
    """All transitions of a plan, and the range that holds them."""

    seen: tuple[Seen, ...]
    light: ChannelSetup
    quantum_v: float
    """One code at that range, in V."""
    samples_most: int | None
    """Most samples a record of this digitiser."""


def preview(rig: Rig, plan: Plan, figures: BenchFigures) -> Preview:
    """Take each pair of the plan once under its first condition, both directions, with the plan's hold and sample rate.

    Args:
        rig: the opened bench.
        plan: acknowledged, if it flashes.
        figures: of `measure_bench`, just before.

    Raises:
        InstrumentError: an instrument failed, or no trigger came.
    """
    set_to = plan.capture
    limits = rig.digitiser.limits()
    seen: list[Seen] = []
    low, high, quantum = math.inf, -math.inf, figures.quantum_v
    try:
        rig.pattern.apply(plan.condition[0].driven())
        for a, b in plan.levels.step_pairs():
            record = take_once(rig, figures.light, (a, b, a), set_to.hold_s, 1 / set_to.sample_rate_hz, set_to.hold_s)
            channel = record.channels[rig.bench.light_channel]
            rows = volts(channel)[: record.complete]
            quantum = abs(channel.scale)
            low, high = min(low, float(rows.min())), max(high, float(rows.max()))
            times_s = np.asarray(record.first_sample_s + record.sample_interval_s * np.arange(rows.shape[1]), np.float64)
            seen += [_timed(row, times_s, p, figures.noise_v) for row, p in zip(rows[1:], ((a, b), (b, a)), strict=False)]
    finally:
        rig.go_dark()
    light = range_for((low, high), high - low, limits)
    return Preview(tuple(seen), light, quantum * light.range_v / figures.light.range_v, limits.max_samples)


def _timed(row: NDArray[np.float64], times_s: NDArray[np.float64], pair: tuple[int, int], noise_v: float) -> Seen:
    step = abs(float(row[times_s < 0].mean()) - float(row[-len(row) // 8 :].mean()))
    wanted = (noise_v / (_SMOOTHED * step)) ** 2 if step > 0 else math.inf
    width = int(min(max(wanted, 1), len(row) / 100))
    if width > 1:
        kernel = np.full(width, 1 / width)
        row, times_s = (
            np.convolve(row, kernel, "valid"),
            times_s[: len(times_s) - width + 1] + width / 2 * (times_s[1] - times_s[0]),
        )
    found = rise_s(row, times_s)
    window = 0.8 * (width - 1) * float(times_s[1] - times_s[0])
    return Seen(*pair, step, math.sqrt(max(found**2 - window**2, 0.0)) if math.isfinite(found) else math.nan)


def judge_plan(plan: Plan, figures: BenchFigures, found: Preview) -> list[CheckResult]:
    """Whether hold, sample rate, record length, repeats and range of a plan suit what was seen."""
    set_to = plan.capture
    timed = [s for s in found.seen if s.duration_s > 0]
    if not timed:
        return [
            CheckResult(
                "transitions of the plan", "fail", "none of them could be told from the noise: more light, or less noise"
            )
        ]
    hidden = [s.name for s in found.seen if not s.duration_s > 0]
    fastest, slowest = min(timed, key=lambda s: s.duration_s), max(timed, key=lambda s: s.duration_s)
    weakest = min(timed, key=lambda s: s.step_v)
    noise = figures.noise_v / weakest.step_v
    wanted = Wanted(fastest.duration_s, slowest.duration_s, noise=noise, bandwidth_hz=None)
    advice = advise(wanted)
    rate_hz, hold_s = set_to.sample_rate_hz, set_to.hold_s
    within = fastest.duration_s * rate_hz
    length = round(hold_s * rate_hz)
    own = Wanted(weakest.duration_s, weakest.duration_s, noise=noise)
    expect = expanded(scatter_of_one(own, set_to.sample_rate_hz), max(set_to.repeats, 2))
    codes = weakest.step_v / found.quantum_v
    limits = found.samples_most
    return [
        CheckResult(
            "transitions of the plan",
            "fail" if hidden else "pass",
            f"{len(timed)} of {len(found.seen)} seen, {_ms(fastest)} to {_ms(slowest)}"
            + (f"; within the noise or not over: {', '.join(hidden)}" if hidden else ""),
        ),
        result(
            "sample rate of the plan",
            within >= SAMPLES_IN_TRANSITION / 2,
            f"{within:.0f} samples in the fastest transition at {rate_hz:g} Hz; advised {advice.sample_rate_hz:g} Hz",
        ),
        result(
            "hold of the plan",
            hold_s >= advice.shortest_hold_s,
            f"{hold_s:g} s, long enough from {advice.shortest_hold_s:g} s on, with {advice.pretrigger_s:g} s before the edge",
        ),
        known(
            "record length of the plan",
            float(limits) if limits else math.nan,
            limits is None or length <= limits,
            f"{length} samples a record; the digitiser holds {limits}",
        ),
        result(
            "range for the plan",
            codes >= LEAST_CODES,
            f"{found.light.range_v:g} V about {found.light.offset_v:.3g} V holds all of it; the smallest step "
            f"({weakest.name}) is {codes:.0f} codes of it, {figures.noise_v / found.quantum_v:.1f} codes of noise",
        ),
        CheckResult(
            "repeats of the plan",
            "pass",
            f"{set_to.repeats} repeats: about {100 * expect:.2g} % (95 %) from noise on {weakest.name}; "
            f"{advice.repeats or 'over 1000'} would give {100 * wanted.uncertainty:g} %",
        ),
        CheckResult(
            "suggested settings for the plan",
            "pass",
            f"sample_rate_hz = {advice.sample_rate_hz:g}, hold_s = {advice.hold_s:g}, pretrigger_s = {advice.pretrigger_s:g}"
            + (f", repeats = {advice.repeats}" if advice.repeats else ""),
        ),
    ]


def _ms(seen: Seen) -> str:
    return f"{1e3 * seen.duration_s:.3g} ms ({seen.name})"
