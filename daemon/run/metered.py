"""Captures of meters: power at held levels and while toggling, and light until it is stable."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from greystep.schema.capture import Capture, CaptureMeta, Channel

from .planned import PlannedCapture
from .session import APERTURE_S, Session, start_list


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


def take_power(session: Session, item: PlannedCapture, meta: CaptureMeta) -> Capture:
    """Readings of the power meter at held levels, then while the widest pair toggles."""
    settings = session.plan.power
    assert settings is not None
    rig, hold = session.rig, session.plan.capture.hold_s
    low, high = max(session.plan.levels.step_pairs(), key=lambda p: p[1] - p[0])
    levels = [(level, level) for level in item.levels] + [(low, high)]
    rows: list[list[float]] = []
    times: list[float] = []
    unit = "W"
    for pair in levels:
        aperture = max(APERTURE_S, hold)
        if pair[0] == pair[1]:
            start_list(session, (pair[0],), hold)
        else:
            # Whole periods: a self-luminous panel takes several times as much at one level as at the other.
            aperture = 2 * hold * math.ceil(aperture / (2 * hold))
            count = int((settings.readings + 1) * (aperture + 0.05) / hold) + 4
            start_list(session, (low, high) * (count // 2), hold)
        row = []
        rig.read("power", aperture)  # not kept: it may still have seen the level before
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


def take_trend(session: Session, item: PlannedCapture, meta: CaptureMeta) -> Capture:
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
        reading = session.rig.read("luminance", min(APERTURE_S, warm_up.interval_s))
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
