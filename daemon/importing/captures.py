"""Checked columns to captures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from greystep.schema.capture import Capture, CaptureMeta, Channel, InstrumentRecord, Planned, SourceFile
from greystep.schema.errors import ManifestError
from greystep.schema.toml_source import TomlSource
from numpy.typing import NDArray

from .axis import Axis
from .collect import Columns
from .manifest import BITS, Manifest, SteadyEntry, StepEntry, entry_key
from .sources import Source
from .units import light_unit

DRIVER = "import"
"""Driver's name in the instrument record of an imported capture."""
UNKNOWN_STEP = "the instant of the level command is not known: delays can't be measured"


@dataclass(frozen=True)
class Trace:
    """Segments of one pair of levels or one held level, before they become a capture."""

    key: str
    kind: str
    from_level: int
    to_level: int
    codes: Sequence[NDArray[Any]]
    """[segment] of [sample], all of one length."""
    axis: Axis
    """Relative to the trigger; never beginning below zero when the trigger is not known."""
    trigger_s: float
    """Trigger instant since the first sample; NaN when not known."""
    scale: float = 1.0
    unit: str = "V"
    notes: tuple[str, ...] = ()
    sources: tuple[SourceFile, ...] = ()


@dataclass(frozen=True)
class Stamp:
    """What all captures of one import share."""

    run: str
    import_id: str
    """Hash of the manifest's meaning and of the files; equal for a second import of the same."""
    started_utc: str
    started_monotonic_s: float
    software: Mapping[str, str]
    ids: Sequence[str]
    """One capture id each."""


def trace_of(entry: SteadyEntry | StepEntry, i: int, columns: Columns, source: Source, toml: TomlSource) -> Trace:
    """The trace of one manifest entry.

    Args:
        entry: the entry.
        i: its position in the manifest.
        columns: the file's columns.
        source: the file.
        toml: the manifest, for messages.

    Raises:
        ManifestError: the light columns have different units, or the step is told to be outside the record.
    """
    axis = columns.axes[entry.time] if entry.time else Axis(0.0, float(entry.sample_interval_s or 0.0))
    units = [light_unit(column, columns.units.get(column)) for column in entry.light]
    if len({u[:2] for u in units}) > 1:
        told = ", ".join(f"{c} in {u[1]} x {u[0]:g}" for c, u in zip(entry.light, units, strict=True))
        raise ManifestError([toml.problem(("capture", i, "light"), f"the columns have different units: {told}")])
    codes = [columns.light[column] for column in entry.light]
    notes = tuple(dict.fromkeys(f"light {u[2]}" for u in units if u[2]))
    levels = (entry.level, entry.level) if isinstance(entry, SteadyEntry) else (entry.from_level, entry.to_level)
    trigger = float("nan")
    if isinstance(entry, StepEntry):
        axis, trigger, notes = _triggered(entry, i, axis, len(codes[0]), notes, toml)
    files = tuple(SourceFile(name=source.name, sha256=source.sha256, column=column) for column in entry.light)
    return Trace(entry_key(entry), entry.kind, *levels, codes, axis, trigger, units[0][0], units[0][1], notes, files)


def _triggered(
    entry: StepEntry, i: int, axis: Axis, samples: int, notes: tuple[str, ...], toml: TomlSource
) -> tuple[Axis, float, tuple[str, ...]]:
    if entry.step_time_s is None:
        if axis.start_s < 0:  # a time before zero would say that zero is the command
            told = f"times are counted from the first sample, which the file calls {axis.start_s:g} s"
            return Axis(0.0, axis.interval_s), float("nan"), (*notes, UNKNOWN_STEP, told)
        return axis, float("nan"), (*notes, UNKNOWN_STEP)
    end_s = axis.start_s + (samples - 1) * axis.interval_s
    if not axis.start_s <= entry.step_time_s <= end_s:
        what = f"{entry.step_time_s:g} s is outside the record, which lasts from {axis.start_s:g} to {end_s:g} s"
        raise ManifestError([toml.problem(("capture", i, "step_time_s"), what)])
    trigger = entry.step_time_s - axis.start_s
    return Axis(-trigger, axis.interval_s), trigger, notes


def build(traces: Sequence[Trace], manifest: Manifest, text: str, stamp: Stamp, position: int) -> Capture:
    """The capture of `traces[position]`; levels and totals as the archive wants them."""
    trace = traces[position]
    codes = np.stack([np.asarray(c) for c in trace.codes])
    segments = len(codes)
    meta = CaptureMeta(
        id=stamp.ids[position],
        run=stamp.run,
        key=trace.key,
        kind=trace.kind,  # type: ignore[arg-type]  # step or steady
        group="c01",
        origin="imported",
        dut=manifest.dut,
        condition=manifest.condition,
        sensor=manifest.sensor,
        bits=BITS,
        started_utc=stamp.started_utc,
        started_monotonic_s=stamp.started_monotonic_s,
        duration_s=codes.shape[1] * trace.axis.interval_s,
        instruments=(_instrument(trace, stamp),),
        sources=trace.sources,
        planned=Planned(
            position=position + 1,
            total=len(traces),
            group_total=len(traces),
            steady_total=sum(t.kind == "steady" for t in traces),
            repeats=max((len(t.codes) for t in traces if t.kind == "step"), default=0),
        ),
        notes=trace.notes,
        software=dict(stamp.software),
    )
    return Capture(
        meta=meta,
        channels={"light": Channel(codes, trace.scale, 0.0, trace.unit)},
        start_s=trace.axis.start_s,
        interval_s=trace.axis.interval_s,
        from_level=np.full(segments, trace.from_level, np.int32),
        to_level=np.full(segments, trace.to_level, np.int32),
        flags=np.zeros(segments, np.uint32),
        trigger_s=np.full(segments, trace.trigger_s),
        plan_text=text,
    )


def _instrument(trace: Trace, stamp: Stamp) -> InstrumentRecord:
    settings: dict[str, Any] = {"import_id": stamp.import_id, "sample_interval_s": trace.axis.interval_s}
    if np.isfinite(trace.trigger_s):
        settings["step_time_s"] = trace.trigger_s
    return InstrumentRecord(
        role="digitiser", driver=DRIVER, driver_version=stamp.software.get("greystep", ""), settings=settings
    )
