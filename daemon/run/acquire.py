"""Take one capture: drive the levels, record the light. Knows the instruments' roles, not their words.

Every record is triggered by the sync edge of a list of levels that the pattern source plays by its own clock, so that neither
the holds nor the settling depend on the host's timing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from greystep.schema.capture import Capture, CaptureMeta, Channel, Reading
from greystep.schema.errors import InstrumentTimeoutError
from greystep.schema.flags import SegmentFlag
from greystep.schema.roles import ChannelRecord, ChannelSetup

from . import planned as of_plan
from .metered import take_power, take_trend
from .planned import PlannedCapture
from .played import Taken, play
from .ranges import WIDER, range_for
from .session import APERTURE_S, Session

_COARSE_V = 20.0
_LOOK_S = 0.06
"""Record that finds the range: a few refreshes, and whole periods of any backlight ripple."""


def take(session: Session, item: PlannedCapture, meta: CaptureMeta) -> Capture:
    """Take one planned capture; `meta` holds all that was known before.

    Raises:
        InstrumentError: an instrument failed; the caller recovers and may call again.
    """
    takers = {"step": _step, "steady": _steady, "power": take_power, "trend": take_trend}
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
    if _look_while_settling(session, level):
        settle = 0
    samples = int(plan.capture.steady_s * plan.capture.sample_rate_hz)
    levels = (level,) * (settle + counted)
    readings: list[Reading] = []

    def read() -> None:  # of the level that is being recorded; of the last try alone
        readings[:] = [r for r in (session.rig.read("luminance", APERTURE_S),) if r]

    taken = _record(session, levels, of_plan.steady_dwell_s(plan), samples, 0.0, settle, item, read)
    capture = _capture(session, meta, taken, level, readings)
    session.seen.note(level, capture.channels["light"])
    return capture


def _look_while_settling(session: Session, level: int) -> bool:
    """Find the range of a level that was never seen while it settles; whether that was done, and the level has settled."""
    if session.rig.bench.light_range_v is not None or session.seen.span((level,)) is not None:
        return False
    capture = session.plan.capture
    settle_s = capture.hold_s if capture.settle_s is None else capture.settle_s
    session.seen.by_level[level] = _coarse(session, level, settle_s / 2)
    return True


def _record(
    session: Session,
    levels: tuple[int, ...],
    dwell_s: float,
    samples: int,
    pretrigger_s: float,
    skip: int,
    item: PlannedCapture,
    meanwhile: Callable[[], None] | None = None,
) -> Taken:
    """Play and record; again with a wider range when it clipped, or when a trigger was missed."""
    notes: list[str] = []
    factor = 1.0
    for attempt in range(session.plan.capture.retries + 1):
        light = _light_range(session, item, factor)
        taken = play(session, (samples, pretrigger_s, light), levels, dwell_s, skip, meanwhile)
        taken = replace(taken, notes=tuple(notes), retakes=attempt)
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
    if span is None:
        spans = [session.seen.by_level.get(level) or _coarse(session, level) for level in item.levels]
        span = (min(s[0] for s in spans), max(s[1] for s in spans))
    if item.kind == "steady":  # one level: its own swing, and as much again as the dimmest step would have
        margin = 0.25 * (span[1] - span[0]) + 0.02 * max(abs(span[0]), abs(span[1])) + 2e-3
        span = (span[0] - margin, span[1] + margin)
    return range_for(span, session.seen.widest(), limits, factor)


def _coarse(session: Session, level: int, hold_s: float = 0.0) -> tuple[float, float]:
    """Lowest and highest light voltage of a level, on the widest range, over a few refreshes.

    The level is held twice for `hold_s` at least; the light is looked at after the first hold.
    """
    limits = session.rig.digitiser.limits()
    widest = limits.ranges_v[-1] if limits.ranges_v else _COARSE_V
    samples = max(64, int(_LOOK_S * session.plan.capture.sample_rate_hz))
    # One hold to settle: a level that still moves only makes the range wider, and a clipped record is taken again.
    record = play(session, (samples, 0.0, ChannelSetup(widest, 0.0)), (level, level), max(_LOOK_S * 1.5, hold_s), 1).record
    light = record.channels[session.rig.bench.light_channel]
    last = light.codes[-1] if record.complete else light.codes[:0]
    if not len(last):
        raise InstrumentTimeoutError(
            "no trigger while the range was sought", role="digitiser", todo="check the sync cable", retryable=True
        )
    values = (float(last.min()) * light.scale + light.offset, float(last.max()) * light.scale + light.offset)
    half_step = abs(light.scale) / 2  # of 8 bits on the widest range it is more than the swing of a dark level
    return min(values) - half_step, max(values) + half_step


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
