"""Take one capture: drive the levels, record the light. Knows the instruments' roles, not their words.

Every record is triggered by the sync edge of a list of levels that the pattern source plays by its own clock, so that neither
the holds nor the settling depend on the host's timing.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from greystep.schema.capture import Capture, CaptureMeta, Channel, Reading
from greystep.schema.errors import InstrumentTimeoutError
from greystep.schema.flags import SegmentFlag
from greystep.schema.plan import Plan
from greystep.schema.roles import ChannelRecord, ChannelSetup, DigitiserSetup, Record

from . import planned as of_plan
from .planned import PlannedCapture
from .ranges import WIDER, SeenLight, range_for
from .rig import Rig

_SYNC = ChannelSetup(range_v=12.0, offset_v=2.5)
_MARGIN_S = 2.0
_COARSE_V = 20.0
_APERTURE_S = 0.1
_LOOK_S = 0.06
"""Record that finds the range: a few refreshes, and whole periods of any backlight ripple."""


@dataclass
class Session:
    """What is known while a run is at the bench."""

    rig: Rig
    plan: Plan
    plan_text: str
    seen: SeenLight = field(default_factory=SeenLight)
    stop: Callable[[], bool] = lambda: False
    """Whether the run was asked to stop; long waits look at it."""
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep


@dataclass(frozen=True)
class Taken:
    """Result of an acquisition, before it becomes a capture."""

    record: Record
    levels: tuple[int, ...]
    """Played levels; the segments' to-levels."""
    skip: int
    """Segments at the start that only settled."""
    notes: tuple[str, ...] = ()
    retakes: int = 0
    dwell_s: float = 0.0
    """Hold of each level by the pattern source's clock; 0: the host's timing came in between."""
    before: int | None = None
    """Level before the first counted one, where it was not recorded."""


def take(session: Session, item: PlannedCapture, meta: CaptureMeta) -> Capture:
    """Take one planned capture; `meta` holds all that was known before.

    Raises:
        InstrumentError: an instrument failed; the caller recovers and may call again.
    """
    takers = {"step": _step, "steady": _steady, "power": _power, "trend": _trend}
    return takers[item.kind](session, item, meta)


def _step(session: Session, item: PlannedCapture, meta: CaptureMeta) -> Capture:
    plan, (low, high) = session.plan, item.levels
    settle = of_plan.settle_entries(plan)
    levels = (low,) * settle + (high, low) * plan.capture.repeats
    samples = max(64, int((plan.capture.hold_s - 2 / item.condition.refresh_rate_hz) * plan.capture.sample_rate_hz))
    taken = _record(session, levels, plan.capture.hold_s, samples, plan.capture.pretrigger_s, settle, item)
    return _capture(session, meta, taken, low)


def _steady(session: Session, item: PlannedCapture, meta: CaptureMeta) -> Capture:
    plan, level = session.plan, item.levels[0]
    settle, counted = of_plan.steady_entries(plan)
    samples = int(plan.capture.steady_s * plan.capture.sample_rate_hz)
    levels = (level,) * (settle + counted)
    taken = _record(session, levels, of_plan.steady_dwell_s(plan), samples, 0.0, settle, item)
    readings = [r for r in (session.rig.read("luminance", _APERTURE_S),) if r]
    capture = _capture(session, meta, taken, level, readings)
    session.seen.note(level, capture.channels["light"])
    return capture


def _record(
    session: Session,
    levels: tuple[int, ...],
    dwell_s: float,
    samples: int,
    pretrigger_s: float,
    skip: int,
    item: PlannedCapture,
) -> Taken:
    """Play and record; again with a wider range when it clipped, or when a trigger was missed."""
    notes: list[str] = []
    factor = 1.0
    for attempt in range(session.plan.capture.retries + 1):
        light = _light_range(session, item, factor)
        taken = replace(
            _play(session, (samples, pretrigger_s, light), levels, dwell_s, skip), notes=tuple(notes), retakes=attempt
        )
        clipped, missed = _trouble(session, taken)
        if not clipped and not missed:
            return taken
        if clipped:
            factor *= WIDER
            notes.append(f"try {attempt + 1}: {clipped} segments clipped, range made wider")
        if missed:
            notes.append(f"try {attempt + 1}: {missed} segments without trigger")
    return replace(taken, notes=tuple(notes))


def _light_range(session: Session, item: PlannedCapture, factor: float) -> ChannelSetup:
    bench = session.rig.bench
    if bench.light_range_v is not None:
        return ChannelSetup(bench.light_range_v * factor, bench.light_offset_v)
    limits = session.rig.digitiser.limits()
    span = session.seen.span(item.levels)
    if span is None and item.kind == "steady":
        span = _coarse(session, item.levels[0])
        session.seen.by_level.setdefault(item.levels[0], span)
    elif span is None:
        spans = [session.seen.by_level.get(level) or _coarse(session, level) for level in item.levels]
        span = (min(s[0] for s in spans), max(s[1] for s in spans))
    if item.kind == "steady":  # one level: its own swing, and as much again as the dimmest step would have
        margin = 0.25 * (span[1] - span[0]) + 0.02 * max(abs(span[0]), abs(span[1])) + 2e-3
        span = (span[0] - margin, span[1] + margin)
    return range_for(span, session.seen.widest(), limits, factor)


def _coarse(session: Session, level: int) -> tuple[float, float]:
    """Lowest and highest light voltage of a level, on the widest range, over a few refreshes."""
    limits = session.rig.digitiser.limits()
    widest = limits.ranges_v[-1] if limits.ranges_v else _COARSE_V
    samples = max(64, int(_LOOK_S * session.plan.capture.sample_rate_hz))
    # One short hold to settle: a level that still moves only makes the range wider, and a clipped record is taken again.
    record = _play(session, (samples, 0.0, ChannelSetup(widest, 0.0)), (level, level), _LOOK_S * 1.5, 1).record
    light = record.channels[session.rig.bench.light_channel]
    last = light.codes[-1] if record.complete else light.codes[:0]
    if not len(last):
        raise InstrumentTimeoutError(
            "no trigger while the range was sought", role="digitiser", todo="check the sync cable", retryable=True
        )
    values = (float(last.min()) * light.scale + light.offset, float(last.max()) * light.scale + light.offset)
    return min(values), max(values)


def _setup(session: Session, segments: int, samples: int, pretrigger_s: float, light: ChannelSetup) -> DigitiserSetup:
    bench, rate = session.rig.bench, session.plan.capture.sample_rate_hz
    channels = {bench.light_channel: light}
    if bench.sync_channel is not None:
        channels[bench.sync_channel] = _SYNC
    wanted = DigitiserSetup(
        sample_interval_s=1 / rate,
        samples=samples,
        pretrigger=round(pretrigger_s * rate),
        segments=segments,
        channels=channels,
        trigger="sync",
    )
    return session.rig.digitiser.configure(wanted)


def _play(
    session: Session, sampling: tuple[int, float, ChannelSetup], levels: tuple[int, ...], dwell_s: float, skip: int
) -> Taken:
    """Play a list of levels and record each change: in one arming where the digitiser has the segments, else in several.

    Args:
        session: the bench.
        sampling: samples a segment, pretrigger in s, range of the light.
        levels: to play.
        dwell_s: hold of each.
        skip: levels at the start that only settle.
    """
    room = session.rig.digitiser.limits().max_segments
    if room >= len(levels):
        setup = _setup(session, len(levels), *sampling)
        return Taken(_armed(session, setup, levels, dwell_s), levels, skip, dwell_s=dwell_s)
    # Fewer segments than changes: settle without recording, then a lot at a time. Holds last as long as the transfer needs.
    counted = levels[skip:]
    _start_list(session, levels[:skip], dwell_s)
    _await_list(session, skip * dwell_s)  # armed earlier, the digitiser would take the edge of the settling level
    parts: list[Record] = []
    started = session.clock()
    for first in range(0, len(counted), room):
        lot = counted[first : first + room]
        setup = _setup(session, len(lot), *sampling)
        begun = session.clock() - started
        record = _armed(session, setup, lot, dwell_s)
        parts.append(replace(record, trigger_s=record.trigger_s + begun))
        if record.complete < len(lot):
            break  # segments are counted from the start: those behind a gap could not be told apart
    return Taken(_joined(parts), counted, 0, before=levels[skip - 1])


def _joined(parts: Sequence[Record]) -> Record:
    """Records of several armings as one."""
    first = parts[0]
    channels = {}
    for number, channel in first.channels.items():
        same = [p.channels[number] for p in parts]
        rows = [c.codes[: p.complete] for c, p in zip(same, parts, strict=True)]
        known = [c.clipped[: p.complete] for c, p in zip(same, parts, strict=True) if c.clipped is not None]
        clipped = np.concatenate(known) if len(known) == len(parts) else None
        channels[number] = replace(channel, codes=np.concatenate(rows), clipped=clipped)
    triggers = np.concatenate([p.trigger_s[: p.complete] for p in parts])
    return replace(first, channels=channels, trigger_s=triggers, complete=sum(p.complete for p in parts))


def _armed(session: Session, setup: DigitiserSetup, levels: Sequence[int], dwell_s: float) -> Record:
    """Arm once, play, fetch."""
    rig = session.rig
    length_s = len(levels) * dwell_s
    rig.digitiser.arm()
    _start_list(session, levels, dwell_s)
    filled = rig.digitiser.wait(1.1 * length_s + _MARGIN_S)
    if filled == 0:
        rig.digitiser.abort()
        raise InstrumentTimeoutError(
            f"no trigger within {1.1 * length_s + _MARGIN_S:.1f} s",
            role="digitiser",
            todo="check the sync cable and the trigger setting",
            retryable=True,
        )
    if filled < setup.segments:
        rig.digitiser.abort()
    return rig.digitiser.fetch()


def _start_list(session: Session, levels: Sequence[int], dwell_s: float) -> None:
    """Play a list once the one before has ended: its last hold may still be running."""
    _await_list(session, max(dwell_s, session.plan.capture.hold_s))
    session.rig.pattern.play(levels, dwell_s)


def _await_list(session: Session, length_s: float) -> None:
    """Wait until the list that was started last has been played."""
    if not session.rig.pattern.wait(2 * length_s + _MARGIN_S):
        raise InstrumentTimeoutError("the list of levels before did not end", role="pattern", retryable=True)


def _trouble(session: Session, taken: Taken) -> tuple[int, int]:
    """Clipped and missing segments among those that count."""
    light = taken.record.channels[session.rig.bench.light_channel]
    clipped = _clipped(light)[taken.skip : taken.record.complete]
    return int(clipped.sum()), len(taken.levels) - taken.record.complete


def _clipped(light: ChannelRecord) -> np.ndarray:
    if light.clipped is not None:
        return np.asarray(light.clipped, bool)
    out = np.zeros(len(light.codes), bool)
    if light.code_max is not None:
        out |= (light.codes >= light.code_max).any(axis=1)
    if light.code_min is not None:
        out |= (light.codes <= light.code_min).any(axis=1)
    return out


def _capture(session: Session, meta: CaptureMeta, taken: Taken, first_from: int, readings: Sequence[Reading] = ()) -> Capture:
    """Put the counted segments into a capture; missing ones are filled with the middle code and flagged."""
    bench, record, skip = session.rig.bench, taken.record, taken.skip
    names = {bench.light_channel: "light", bench.sync_channel: "sync"}
    to_level = np.array(taken.levels[skip:], np.int32)
    before = taken.before if taken.before is not None else taken.levels[skip - 1] if skip else first_from
    from_level = np.array((before, *taken.levels[skip:-1]), np.int32)
    flags = np.zeros(len(to_level), np.uint32)
    have = max(record.complete - skip, 0)
    flags[have:] |= np.uint32(SegmentFlag.NO_TRIGGER)
    light = record.channels[bench.light_channel]
    flags[:have][_clipped(light)[skip : record.complete]] |= np.uint32(SegmentFlag.CLIPPED)
    if taken.retakes:
        flags |= np.uint32(SegmentFlag.RETAKEN)
    trigger = np.full(len(to_level), np.nan)
    trigger[:have] = record.trigger_s[skip : record.complete]
    if taken.dwell_s:
        flags[_late(trigger, taken.dwell_s)] |= np.uint32(SegmentFlag.LATE)
    trigger = np.where(np.isfinite(trigger), trigger, -1.0)
    ordered = sorted(record.channels.items(), key=lambda c: c[0] != bench.light_channel)
    channels = {names.get(n, f"channel{n}"): _channel(c, skip, record.complete, len(to_level)) for n, c in ordered}
    temperature = session.rig.read("temperature", 0.0)
    return Capture(
        meta=meta.model_copy(
            update={
                "instruments": session.rig.instruments(),
                "readings": (*readings, *((temperature,) if temperature else ())),
                "retakes": taken.retakes,
                "notes": (*meta.notes, *taken.notes),
                "duration_s": session.clock() - meta.started_monotonic_s,
                "pattern_delay_s": session.rig.pattern.delay_s(),
            }
        ),
        channels=channels,
        start_s=record.first_sample_s,
        interval_s=record.sample_interval_s,
        from_level=from_level,
        to_level=to_level,
        flags=flags,
        trigger_s=trigger,
        plan_text=session.plan_text,
        bench_text=session.rig.bench_text,
        dialogue=session.rig.dialogue.take(),
    )


def _late(trigger: np.ndarray, dwell_s: float) -> np.ndarray:
    """Segments whose trigger came later after the one before than the hold allows (a quarter of it)."""
    gaps = np.diff(trigger, prepend=trigger[:1] - np.nanmedian(np.diff(trigger)) if len(trigger) > 1 else trigger)
    usual = np.nanmedian(gaps) if np.isfinite(gaps).any() else dwell_s
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(gaps - usual) > 0.25 * max(usual, 1e-9), bool) & np.isfinite(gaps)


def _channel(record: ChannelRecord, skip: int, complete: int, wanted: int) -> Channel:
    codes = np.ascontiguousarray(record.codes[skip:complete])
    if len(codes) < wanted:
        middle = 0 if record.code_min is None or record.code_max is None else (record.code_min + record.code_max) / 2
        filler = np.full((wanted - len(codes), record.codes.shape[1]), middle, record.codes.dtype)
        codes = np.concatenate([codes, filler])
    return Channel(codes, record.scale, record.offset, "V", record.code_min, record.code_max)


def _series(
    session: Session,
    meta: CaptureMeta,
    times_s: Sequence[float],
    rows: Sequence[Sequence[float]],
    levels: Sequence[tuple[int, int]],
    unit: str,
    notes: Sequence[str] = (),
) -> Capture:
    """A capture of meter readings: one segment a level (from = to) or a toggled pair."""
    return Capture(
        meta=meta.model_copy(
            update={
                "instruments": session.rig.instruments(),
                "duration_s": session.clock() - meta.started_monotonic_s,
                "notes": (*meta.notes, *notes),
            }
        ),
        channels={"value": Channel(np.array(rows, np.float64), 1.0, 0.0, unit)},
        start_s=float(times_s[0]),
        interval_s=float(np.mean(np.diff(times_s))) if len(times_s) > 1 else 1.0,
        from_level=np.array([a for a, _ in levels], np.int32),
        to_level=np.array([b for _, b in levels], np.int32),
        flags=np.zeros(len(levels), np.uint32),
        trigger_s=np.zeros(len(levels)),
        time_s=np.array(times_s, np.float64),
        plan_text=session.plan_text,
        bench_text=session.rig.bench_text,
        dialogue=session.rig.dialogue.take(),
    )


def _power(session: Session, item: PlannedCapture, meta: CaptureMeta) -> Capture:
    """Readings of the power meter at held levels, then while the widest pair toggles."""
    settings = session.plan.power
    assert settings is not None
    rig, hold = session.rig, session.plan.capture.hold_s
    aperture = max(_APERTURE_S, hold)
    low, high = max(session.plan.levels.step_pairs(), key=lambda p: p[1] - p[0])
    levels = [(level, level) for level in item.levels] + [(low, high)]
    rows: list[list[float]] = []
    times: list[float] = []
    unit = "W"
    for pair in levels:
        if pair[0] == pair[1]:
            _start_list(session, (pair[0],), hold)
        else:
            count = int(settings.readings * (aperture + 0.05) / hold) + 4
            _start_list(session, (low, high) * (count // 2), hold)
        row = []
        for _ in range(settings.readings):
            reading = rig.read("power", aperture)
            if reading is None:
                break
            if not rows:
                times.append(session.clock() - meta.started_monotonic_s)
            row.append(reading.value)
            unit = reading.unit
        if pair[0] != pair[1]:
            rig.pattern.safe()  # stop the list; its rest is not needed
        if len(row) == settings.readings:
            rows.append(row)
    return _series(session, meta, times, rows, levels, unit)


def _trend(session: Session, item: PlannedCapture, meta: CaptureMeta) -> Capture:
    """Luminance at intervals until it is stable, the limit is reached, or the run is stopped."""
    warm_up = session.plan.warm_up
    assert warm_up is not None
    session.rig.pattern.level(item.levels[0])
    times: list[float] = []
    values: list[float] = []
    unit = "cd/m2"
    notes: list[str] = []
    start = session.clock()
    while True:
        reading = session.rig.read("luminance", min(_APERTURE_S, warm_up.interval_s))
        now = session.clock() - start
        if reading is not None:
            times.append(now)
            values.append(reading.value)
            unit = reading.unit
        if now >= warm_up.minimum_s and _stable(times, values, warm_up.window_s, warm_up.tolerance_percent / 100):
            notes.append(f"stable after {now:.1f} s")
            break
        if now >= warm_up.maximum_s or session.stop():
            notes.append(f"not stable after {now:.1f} s; the run went on")
            break
        session.sleep(max(0.0, warm_up.interval_s - (session.clock() - start - now)))
        session.rig.pattern.level(item.levels[0])  # keeps the source's dead-man timer from going dark
    level = item.levels[0]
    return _series(session, meta, times, [values], [(level, level)], unit, notes)


def _stable(times: Sequence[float], values: Sequence[float], window_s: float, tolerance: float) -> bool:
    """Whether the readings of the last window lie within the tolerance of their mean, and the window is full."""
    if not times or times[-1] - times[0] < window_s:
        return False
    last = [v for t, v in zip(times, values, strict=True) if t >= times[-1] - window_s]
    mean = sum(last) / len(last)
    return mean > 0 and max(last) - min(last) <= tolerance * mean
