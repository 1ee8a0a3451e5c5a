"""Kept records of an attended session to captures, in the shape that a driven run would have given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from greystep.daemon.run.planned import PlannedCapture, planned_captures
from greystep.schema.bench import Bench
from greystep.schema.capture import Capture, CaptureMeta, Channel, InstrumentRecord, Planned
from greystep.schema.flags import SegmentFlag
from greystep.schema.ids import IdSource
from greystep.schema.plan import Plan
from numpy.typing import NDArray

from .store import Kept, Store

NOTE = "time zero is the trigger on the light: delays can't be measured"


@dataclass(frozen=True)
class Surroundings:
    """What all captures of the session share."""

    plan: Plan
    plan_text: str
    bench: Bench
    bench_text: str
    instruments: tuple[InstrumentRecord, ...]
    software: Mapping[str, str]
    ids: IdSource
    dialogue: tuple[str, ...] = ()


def captures_of(store: Store, about: Surroundings) -> list[Capture]:
    """All captures of a session, in the order of the plan. Pairs that were never taken have no capture."""
    wanted = [p for p in planned_captures(about.plan) if p.kind in ("steady", "step")]
    found: list[tuple[PlannedCapture, list[Kept]]] = []
    for planned in wanted:
        records = [k for k in store.kept(planned.group) if _belongs(k, planned)]
        if records:
            found.append((planned, records))
    left_out = len(wanted) - len(found)
    return [_capture(i, found, about, store.run, left_out) for i in range(len(found))]


def _belongs(kept: Kept, planned: PlannedCapture) -> bool:
    if planned.kind == "steady":
        return kept.event == "held" and kept.to_level == planned.levels[0]
    return kept.event == "step" and {kept.from_level, kept.to_level} == set(planned.levels)


def _capture(
    i: int, found: Sequence[tuple[PlannedCapture, list[Kept]]], about: Surroundings, run: str, left_out: int
) -> Capture:
    planned, records = found[i]
    samples = min(k.taken.codes.shape[1] for k in records)
    rows = [(k, row[:samples]) for k in records for row in k.taken.codes]
    first = records[0].taken
    same = all((k.taken.scale, k.taken.offset) == (first.scale, first.offset) for k in records)
    if same:
        codes = np.stack([row for _, row in rows])
        channel = Channel(codes, first.scale, first.offset, "V", first.code_min, first.code_max)
    else:  # the range was changed on the way: volts hold both exactly enough, codes of two scales in one file would not
        channel = Channel(np.stack([row * k.taken.scale + k.taken.offset for k, row in rows]))
    who = "levels changed by hand" if about.plan.pattern == "manual" else "levels changed by a source without a sync output"
    notes = [who, NOTE] if planned.kind == "step" else [who]
    if left_out:
        notes.append(f"{left_out} captures of the plan were not taken")
    members = [p for p, _ in found if p.group == planned.group]
    repeats = [
        sum(1 for k in r if (k.from_level, k.to_level) == (r[0].from_level, r[0].to_level))
        for p, r in found
        if p.kind == "step"
    ]
    meta = CaptureMeta(
        id=about.ids.new(),
        run=run,
        key=planned.key,
        kind=planned.kind,
        group=planned.group,
        origin="attended",
        dut=about.plan.dut,
        condition=planned.condition,
        sensor=about.bench.sensor,
        bits=about.plan.levels.bits,
        bench=about.bench.name,
        operator=about.plan.operator or about.bench.operator,
        started_utc=records[0].utc,
        started_monotonic_s=records[0].monotonic_s,
        duration_s=samples * first.interval_s * len(rows),
        instruments=about.instruments,
        planned=Planned(
            position=i + 1,
            total=len(found),
            group_total=len(members),
            steady_total=sum(p.kind == "steady" for p in members),
            methods=about.plan.methods,
            repeats=max(repeats, default=0),
        ),
        notes=tuple(notes),
        software=dict(about.software),
    )
    return Capture(
        meta=meta,
        channels={"light": channel},
        start_s=first.start_s,
        interval_s=first.interval_s,
        from_level=np.array([k.from_level for k, _ in rows], np.int32),
        to_level=np.array([k.to_level for k, _ in rows], np.int32),
        flags=np.array([_flag(k, row) for k, row in rows], np.uint32),
        trigger_s=np.full(len(rows), np.nan),
        plan_text=about.plan_text,
        bench_text=about.bench_text,
        dialogue=about.dialogue,
    )


def _flag(kept: Kept, row: NDArray[Any]) -> int:
    low, high = kept.taken.code_min, kept.taken.code_max
    clipped = (low is not None and bool((row <= low).any())) or (high is not None and bool((row >= high).any()))
    return int(SegmentFlag.CLIPPED if clipped else SegmentFlag.NONE)
