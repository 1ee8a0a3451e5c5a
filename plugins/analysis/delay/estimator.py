"""The estimator `delay`: from the level command to first light and to half of the step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, ClassVar

import numpy as np
from greystep.schema.capture import Kind
from greystep.schema.figure import Bound, Component, Figure, flags_of
from greystep.schema.model import Model
from greystep.schema.trace import Array, Context, Subject, Transition
from pydantic import BaseModel, Field

from ..motion.agreement import levels_disagree, rises
from ..motion.ends import NoStep, StepEnds, ends_of
from ..motion.pairs import mean_of
from .onset import Onsets, find_onsets
from .scan import ACTIVE_PART, scan_offset_s, waiting_time_s

QUANTITIES = ("delay_first_light", "delay_50")


class DelayParameters(Model):
    """Parameters of the delay."""

    first_light_fraction: Annotated[float, Field(gt=0, le=0.2)] = 0.05
    """First light is told at this part of the step; raised, with a flag, where the noise does not allow it."""
    command_delay_rel_u: Annotated[float, Field(ge=0, le=1)] = 0.1
    """Relative standard uncertainty of the pattern source's own delay as stated."""
    active_part: Annotated[float, Field(gt=0, le=1)] = ACTIVE_PART
    """Part of the refresh period in which the panel is scanned; places the sensor within the scan."""


class DelayEstimator:
    """Delay to first light and to 50 % of each transition, in s: mean over the repeats, with their spread.

    delay = instant of the light - sync edge of the level command - the pattern source's own delay.

    A command that is asynchronous with the scan waits uniformly between 0 and T: mean T/2, standard deviation T/sqrt(12).
    So every repeat is read by itself, and the detail holds the smallest, largest and standard deviation. The scan
    position of the sensor is stated and not subtracted. Source: T. Elze, T. Tanner, PLoS ONE 7:e44048 (2012), input delay;
    waiting time derived.
    """

    id: ClassVar[str] = "delay"
    version: ClassVar[int] = 2
    title: ClassVar[str] = "Delay from the level command to the light"
    kinds: ClassVar[frozenset[Kind]] = frozenset({"step"})
    Parameters: ClassVar[type[BaseModel]] = DelayParameters

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """Two figures of one transition; a bound or a reason where the record does not carry them."""
        assert isinstance(parameters, DelayParameters)
        if not isinstance(subject, Transition):
            return []
        missing = _no_command(subject, context)
        if missing:
            return _refused(subject, missing, ())
        period_s = 1.0 / context.condition.refresh_rate_hz
        rising = rises(subject, context)
        ends = ends_of(subject, rising, period_s)
        if isinstance(ends, NoStep):
            return _refused(subject, ends.reason, ends.flags)
        part = parameters.first_light_fraction
        onsets = find_onsets(subject.light, ends, subject.start_s, subject.interval_s, part, period_s)
        if float(np.min(onsets.half_s)) <= 0.0:
            return _refused(subject, "the light changed before the level command", (*ends.flags, "at_edge"))
        return [
            _figure("delay_first_light", onsets.first_s, subject, context, parameters, ends, onsets),
            _figure("delay_50", onsets.half_s, subject, context, parameters, ends, onsets),
        ]

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """Means over the transitions, without levels."""
        del context, parameters
        return [f for f in (mean_of(figures, q, q) for q in QUANTITIES) if f is not None]

    def explain(self, parameters: BaseModel) -> str:
        """The method in words with its formula."""
        assert isinstance(parameters, DelayParameters)
        p = parameters
        return (
            "Delay = instant of the light − sync edge of the level command − the pattern source's own delay, in every "
            "repeat; the figure is the mean. First light is where the light has passed "
            f"{100 * p.first_light_fraction:g} % of the step for good, by monotone regression of the record (the point "
            "that minimises the running sum of light minus threshold), or a higher part, flagged as noisy, when the "
            "noise hides that one. The delay to 50 % is read from a polynomial fitted around the crossing. "
            "A command that is asynchronous with the scan waits between 0 and one refresh period T: mean T/2, "
            "standard deviation T/√12; the spread over repeats is given. The sensor's place in the scan (T × "
            f"{p.active_part:g} × fraction of the height) is stated and not subtracted. Uncertainty: scatter over "
            "repeats (s/√n), levels, source delay, sensor lag, sampling, time base."
        )


def _no_command(subject: Transition, context: Context) -> str:
    if context.origin == "attended":
        return "taken without a sync edge: the light itself started the record, so that the instant of the command is unknown"
    if context.origin == "imported" and subject.start_s >= 0.0:
        return "the imported record does not say when the display was told to change (step_time_s)"
    return ""


def _refused(subject: Transition, reason: str, flags: Sequence[str]) -> list[Figure]:
    marks, n = flags_of(subject.flags, flags), len(subject.light)
    places = (subject.from_level, subject.to_level)
    return [Figure(q, math.nan, "s", *places, reason=reason, flags=marks, repeats=n) for q in QUANTITIES]


def _figure(
    quantity: str,
    instants_s: Array,
    subject: Transition,
    context: Context,
    p: DelayParameters,
    ends: StepEnds,
    onsets: Onsets,
) -> Figure:
    first = quantity == "delay_first_light"
    delays = instants_s - subject.command_delay_s
    n = len(delays)
    value, spread = float(np.mean(delays)), float(np.std(delays, ddof=1)) if n > 1 else math.nan
    settled = abs(ends.remaining) <= max(0.02 * abs(ends.amplitude), 2.0 * ends.u_remaining)
    bound: Bound = ""
    reason = ""
    flags = [*subject.flags, *ends.flags, *(["few_repeats"] if n < 3 else [])]
    if levels_disagree(subject, ends, context):
        flags.append("levels_disagree")
    if first and onsets.raised:
        bound, reason = "<=", f"the noise hides changes below {100 * onsets.threshold:.2g} % of the step"
        flags.append("noisy")
    elif not settled:
        flags.append("not_settled")
        bound = ">=" if ends.remaining * ends.amplitude > 0 else "<="
        reason = "the light had not reached its end level when the record ended, so that its reference levels are not final"
    mean_wait, wait_sd = waiting_time_s(context.condition.refresh_rate_hz)
    detail = {
        "minimum_s": float(np.min(delays)),
        "maximum_s": float(np.max(delays)),
        "standard_deviation_s": spread if n > 1 else 0.0,
        "command_delay_s": subject.command_delay_s,
        "scan_fraction": context.sensor.scan_fraction,
        "scan_offset_s": scan_offset_s(context.condition.refresh_rate_hz, context.sensor.scan_fraction, p.active_part),
        "asynchronous_wait_mean_s": mean_wait,
        "asynchronous_wait_sd_s": wait_sd,
        "threshold": onsets.threshold if first else 0.5,
    }
    budget = () if bound else _budget(first, delays, subject, context, p, ends, onsets)
    return Figure(quantity, value, "s", subject.from_level, subject.to_level, budget, bound, reason, flags_of(flags), n, detail)


def _budget(
    first: bool, delays: Array, subject: Transition, context: Context, p: DelayParameters, ends: StepEnds, onsets: Onsets
) -> tuple[Component, ...]:
    n = len(delays)
    root3 = math.sqrt(3.0)
    lines = []
    reach_s = float(np.mean(onsets.half_s - onsets.first_s))
    if n > 1:
        scatter = float(np.std(delays, ddof=1)) / math.sqrt(n)
        lines.append(Component("scatter over repeats", scatter, n - 1, "A", distribution="t"))
    else:
        slope = (0.5 - onsets.threshold) / max(reach_s, subject.interval_s)
        u = ends.noise / abs(ends.amplitude) / slope
        lines.append(Component("noise of the one repeat", u, max(1.0, ends.window_after_s / subject.interval_s), "A"))
    # A level that is off by part of the step moves an instant by that part over the slope there.
    drift = abs(ends.remaining) / abs(ends.amplitude) / root3
    share = onsets.threshold if first else 0.5
    lines.append(Component("end level", drift * share * reach_s / (0.5 - onsets.threshold), distribution="rectangular"))
    # Repeats that are locked to the sampling fall between the same two samples every time: this does not average out.
    lines.append(Component("sampling", subject.interval_s / math.sqrt(12.0), distribution="rectangular"))
    lines.append(Component("time base", float(np.mean(delays)) * context.timebase_rel_u, shared="timebase"))
    if subject.command_delay_s:
        lines.append(
            Component("pattern source's delay", -subject.command_delay_s * p.command_delay_rel_u, shared="command_delay")
        )
    if context.sensor.bandwidth_hz:
        lag_s = sensor_lag_s(context.sensor.bandwidth_hz, context.sensor.poles)
        lines.append(Component("sensor lag", lag_s / root3, shared="sensor", distribution="rectangular"))
    if first:
        # Before the change the running sum falls by the threshold a sample only, so that noise moves its minimum back.
        wander = 0.5 * (ends.noise / (abs(ends.amplitude) * onsets.threshold)) ** 2
        lines.append(Component("noise before first light", wander * subject.interval_s / root3, distribution="rectangular"))
    if first and subject.smoothing_s:
        early_s = subject.smoothing_s / 2.0
        lines.append(Component("smoothing", early_s / root3, distribution="rectangular"))
    return tuple(lines)


def sensor_lag_s(bandwidth_hz: float, poles: int) -> float:
    """Mean lag of a sensor with n equal poles, n tau with tau = sqrt(2^(1/n) - 1) / (2 pi f), in s (derived)."""
    return poles * math.sqrt(2.0 ** (1.0 / poles) - 1.0) / (2.0 * math.pi * bandwidth_hz)
