"""What the whole bench can do: noise, dark level, use of the converter, bandwidth, time base, jitter, and settings for a plan.

Drives level 0, one rise to the highest level and one fall: no flashing. Everything is left idle and dark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from greystep.daemon.planner.advice import Wanted, advise
from greystep.schema.errors import InstrumentTimeoutError
from greystep.schema.roles import ChannelRecord, ChannelSetup, CheckResult, DigitiserSetup, Record
from numpy.typing import NDArray

from .ranges import range_for
from .rig import Rig

Array = NDArray[np.float64]
SYNC = ChannelSetup(range_v=12.0, offset_v=2.5)
_INTERVAL_S = 1e-5
_LOOK_S = 0.15
_BEFORE_S = 0.01
_DWELL_S = 0.2
_EDGES = 16
_WIDEST_V = 20.0
_TOLERANCE = 200e-6
"""Two crystals differ by less; a wrong dwell or a wrong sample rate by more."""


@dataclass(frozen=True)
class BenchFigures:
    """What was found. NaN where it can't be had from this bench."""

    dark_v: float
    """Mean output at level 0, in V."""
    noise_v: float
    """Standard deviation of a sample about its neighbours, at `interval_s` and the suggested dark range, in V."""
    interval_s: float
    """Sample interval of the checks, in s."""
    quantum_v: float
    """One code at the suggested range, in V."""
    span_v: tuple[float, float]
    """Lowest and highest voltage between level 0 and the highest."""
    rise_s: float
    """10 % to 90 % of the faster of rise and fall between these levels: display, sensor and digitiser together, in s."""
    jitter_s: float
    """Standard deviation of the sync edge about the trigger, in s."""
    timebase_rel: float
    """Digitiser's time for the pattern source's dwell, less one."""
    timebase_u: float
    """Standard uncertainty of that, from the scatter of the edges."""
    light: ChannelSetup
    """Suggested vertical setting for the widest step."""

    @property
    def adc_use(self) -> float:
        """Part of the suggested range that the widest step fills."""
        return (self.span_v[1] - self.span_v[0]) / self.light.range_v

    @property
    def bandwidth_hz(self) -> float:
        """Bandwidth that is there at least: 0.35 / rise time of a single pole, at most half the sample rate."""
        nyquist = 0.5 / self.interval_s
        return min(nyquist, 0.35 / self.rise_s) if self.rise_s > 0 else nyquist


def measure_bench(rig: Rig) -> BenchFigures:
    """Measure; ends at level 0.

    Raises:
        InstrumentError: an instrument failed, or no trigger came.
    """
    limits = rig.digitiser.limits()
    coarse = ChannelSetup(limits.ranges_v[-1] if limits.ranges_v else _WIDEST_V)
    top = (1 << rig.pattern.bits()) - 1
    try:
        looked = take_once(rig, coarse, (0, top, 0), _DWELL_S)
        span = _span(looked.channels[rig.bench.light_channel], looked.complete)
        light = range_for(span, span[1] - span[0], limits)
        steps = take_once(rig, light, (0, top, 0), _DWELL_S)
        at_light = steps.channels[rig.bench.light_channel]
        still = volts(at_light)[0]
        margin = 0.02 * (span[1] - span[0])
        dark_range = range_for((still.min() - margin, still.max() + margin), 0.0, limits)
        edges = take_once(rig, dark_range, (0,) * min(_EDGES, limits.max_segments), _DWELL_S)
    finally:
        rig.go_dark()
    dark = volts(edges.channels[rig.bench.light_channel])[: edges.complete]
    timebase, u = _timebase(edges.trigger_s[: edges.complete], _DWELL_S)
    times_s = np.asarray(steps.first_sample_s + steps.sample_interval_s * np.arange(at_light.codes.shape[1]), np.float64)
    rises = [rise_s(row, times_s) for row in volts(at_light)[1 : steps.complete]]
    seen = [r for r in rises if math.isfinite(r)]
    return BenchFigures(
        dark_v=float(dark.mean()),
        noise_v=_noise(dark),
        interval_s=steps.sample_interval_s,
        quantum_v=abs(at_light.scale),
        span_v=_span(at_light, steps.complete),
        rise_s=min(seen) if seen else math.nan,
        jitter_s=_jitter(edges, rig.bench.sync_channel),
        timebase_rel=timebase,
        timebase_u=u,
        light=light,
    )


def judge(figures: BenchFigures, fastest_s: float | None = None, slowest_s: float | None = None) -> list[CheckResult]:
    """The figures as checks, and what to set for transitions between `fastest_s` and `slowest_s` (default: as seen)."""
    f = figures
    step_v = f.span_v[1] - f.span_v[0]
    seen = f.rise_s if math.isfinite(f.rise_s) else 1e-3
    fastest = fastest_s or seen
    slowest = max(slowest_s or 10 * fastest, fastest)
    part = f.noise_v / step_v if step_v > 0 else math.inf
    base = f"{1e6 * f.timebase_rel:+.1f} ppm, standard uncertainty {1e6 * f.timebase_u:.1f} ppm"
    off = abs(f.timebase_rel) > _TOLERANCE + 2 * f.timebase_u
    results = [
        result("light of the widest step stands out of the noise", part < 0.05, f"noise is {part:.2%} of the step"),
        CheckResult("noise floor", "pass", f"{1e3 * f.noise_v:.3f} mV a sample at {1 / f.interval_s:g} samples a second"),
        CheckResult("dark level", "pass", f"{1e3 * f.dark_v:.3f} mV"),
        result(
            "use of the converter", 0.2 <= f.adc_use <= 1, f"{f.adc_use:.0%} of the range, {1e6 * f.quantum_v:.1f} uV a code"
        ),
        known("usable bandwidth", f.rise_s, True, f"at least {f.bandwidth_hz:.4g} Hz (rise time {1e3 * seen:.3f} ms)"),
        known("time base of pattern source and digitiser agree", f.timebase_rel, not off, base),
        known("trigger jitter", f.jitter_s, f.jitter_s < 0.02 * seen + f.interval_s, f"{1e6 * f.jitter_s:.2f} us"),
    ]
    if not math.isfinite(part) or part >= 0.05:
        return results
    advice = advise(Wanted(fastest, slowest, noise=part))
    text = (
        f"range {f.light.range_v:g} V about {f.light.offset_v:.3g} V; sample_rate_hz = {advice.sample_rate_hz:g}, "
        f"hold_s = {advice.hold_s:g}, pretrigger_s = {advice.pretrigger_s:g}: {advice.record_samples} samples a record"
    )
    return [*results, CheckResult("suggested settings", "pass", text)]


def result(name: str, good: bool, detail: str) -> CheckResult:
    """A check that passes when it is good."""
    return CheckResult(name, "pass" if good else "fail", detail)


def known(name: str, value: float, good: bool, detail: str) -> CheckResult:
    """The same, for what some benches can't show."""
    if math.isfinite(value):
        return result(name, good, detail)
    return CheckResult(name, "not supported", "can't be seen with these instruments")


def take_once(
    rig: Rig,
    light: ChannelSetup,
    levels: tuple[int, ...],
    dwell_s: float,
    interval_s: float = _INTERVAL_S,
    look_s: float = _LOOK_S,
) -> Record:
    """One record of a list of levels, a segment each. Fewer segments than levels: the last ones are not recorded.

    Raises:
        InstrumentError: an instrument failed, or no trigger came.
    """
    limits, bench = rig.digitiser.limits(), rig.bench
    interval_s = max(interval_s, limits.min_interval_s or 0.0)
    channels = {bench.light_channel: light} | ({bench.sync_channel: SYNC} if bench.sync_channel is not None else {})
    setup = DigitiserSetup(
        sample_interval_s=interval_s,
        samples=min(int(look_s / interval_s), limits.max_samples or 1 << 30),
        pretrigger=int(_BEFORE_S / interval_s),
        segments=min(len(levels), limits.max_segments),
        channels=channels,
    )
    rig.pattern.wait(2 * dwell_s)
    rig.digitiser.configure(setup)
    rig.digitiser.arm()
    rig.pattern.play(levels, dwell_s)
    if not rig.digitiser.wait(1.1 * len(levels) * dwell_s + 2.0):
        rig.digitiser.abort()
        raise InstrumentTimeoutError("no trigger came", role="digitiser", todo="check the sync cable and the trigger setting")
    return rig.digitiser.fetch()


def volts(channel: ChannelRecord) -> Array:
    """[segment, sample] V."""
    return np.asarray(channel.codes, np.float64) * channel.scale + channel.offset


def _span(channel: ChannelRecord, complete: int) -> tuple[float, float]:
    seen = volts(channel)[:complete]
    return float(seen.min()), float(seen.max())


def _noise(rows: Array) -> float:
    """From second differences, which slow changes and ripple leave alone: var(x[i-1] - 2 x[i] + x[i+1]) = 6 sigma^2."""
    return float(np.diff(rows, n=2, axis=1).std() / math.sqrt(6))


def _timebase(trigger_s: Array, dwell_s: float) -> tuple[float, float]:
    """Slope of the triggers over the dwells, less one, and its standard uncertainty."""
    if len(trigger_s) < 4 or not np.isfinite(trigger_s).all():
        return math.nan, math.nan
    nominal = dwell_s * np.arange(len(trigger_s))
    slope, start = np.polyfit(nominal, trigger_s, 1)
    rest = trigger_s - (slope * nominal + start)
    sigma = math.sqrt(float(rest @ rest) / (len(rest) - 2))
    return float(slope - 1), sigma / float(np.linalg.norm(nominal - nominal.mean()))


def _jitter(record: Record, sync_channel: int | None) -> float:
    """Spread of the sync edge's mid crossing, interpolated, over the segments."""
    if sync_channel is None or record.complete < 4:
        return math.nan
    at = [_crossing(row, 0.5) for row in volts(record.channels[sync_channel])[: record.complete]]
    return float(np.std(at, ddof=1)) * record.sample_interval_s if np.isfinite(at).all() else math.nan


def rise_s(row: Array, times_s: Array) -> float:
    """10 % to 90 % between the means before the trigger and at the end; NaN without a step."""
    before, end = row[times_s < 0], row[-len(row) // 5 :]
    if not len(before):
        return math.nan
    low, high = float(before.mean()), float(end.mean())
    if abs(high - low) < 6 * (before.std() + end.std()):
        return math.nan
    share = (row - low) / (high - low)
    return (_first(share, 0.9) - _first(share, 0.1)) * float(times_s[1] - times_s[0])


def _crossing(row: Array, part: float) -> float:
    low, high = float(row.min()), float(row.max())
    return _first((row - low) / (high - low), part) if high > low else math.nan


def _first(share: Array, level: float) -> float:
    """First crossing upwards, interpolated, in samples; NaN when there is none."""
    upwards = np.flatnonzero((share[:-1] <= level) & (share[1:] > level))
    if not len(upwards):
        return math.nan
    i = int(upwards[0])
    return i + float((level - share[i]) / (share[i + 1] - share[i]))
