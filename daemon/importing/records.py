"""Long records of a manifest to traces: two readings of each file, whatever its length in bounded memory."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from greystep.daemon.patterns.timeline import Timeline, read_timeline
from greystep.schema.capture import SourceFile
from greystep.schema.errors import ManifestError, Problem
from greystep.schema.table import TableReader
from greystep.schema.toml_source import TomlSource
from numpy.typing import NDArray

from .axis import Axis
from .captures import Trace
from .collect import MIN_SAMPLES, LightCheck, axis_checks
from .manifest import RecordEntry
from .opening import open_table
from .record.cut import Cutter, Lengths, aligned, hold_windows, step_lengths, step_windows
from .record.envelope import Envelope
from .record.segmentation import Knowledge, Segmentation, Step, segment
from .sources import Source
from .units import light_unit

_NOTE = "cut from a long record and aligned by the middle of the change: delays can't be measured"
_HELD = "cut from a long record"


@dataclass(frozen=True)
class RecordSource:
    """A record entry with its files."""

    entry: RecordEntry
    position: int
    """In the manifest."""
    source: Source
    pattern: Path | None
    """Manifest of the pattern files that were played."""


@dataclass(frozen=True)
class _First:
    """What the first reading found."""

    axis: Axis
    samples: int
    points: NDArray[np.float64]
    block: int
    scale: float
    unit: str
    note: str


def traces_of_records(
    given: Sequence[RecordSource],
    steady: Sequence[Trace],
    toml: TomlSource,
    readers: Mapping[str, TableReader],
    spill: Path,
    progress: Callable[[str], None],
) -> tuple[list[Trace], list[str]]:
    """Traces of all records, repeats of one pair from all of them together, and remarks on what could not be used.

    Args:
        given: the records.
        steady: traces of the manifest's other entries; the steady ones tell the levels' light.
        toml: the manifest, for messages.
        readers: file name ending -> reader.
        spill: folder for what is long.
        progress: told what happens.

    Raises:
        ManifestError: a file can't be read, or nothing in a record could be identified.
    """
    table = {t.from_level: _light(t) for t in steady if t.kind == "steady"}
    taken = {t.key for t in steady}
    traces: dict[str, Trace] = {}
    remarks: list[str] = []
    for record in given:
        progress(f"looking for steps in {record.entry.file}")
        made, said = _one(record, table, toml, readers, spill)
        remarks += [f"{record.entry.file}: {text}" for text in said]
        for trace in made:
            if trace.key in taken:
                remarks.append(
                    f"{record.entry.file}: {trace.key} stands in the manifest by itself; that of the record is left out"
                )
            elif trace.key in traces:
                remarks.append(f"{record.entry.file}: {trace.key} came from an earlier record already; left out")
            else:
                traces[trace.key] = trace
    return list(traces.values()), remarks


def _light(trace: Trace) -> float:
    return float(np.mean([np.mean(c) for c in trace.codes])) * trace.scale


def _one(
    record: RecordSource, table: Mapping[int, float], toml: TomlSource, readers: Mapping[str, TableReader], spill: Path
) -> tuple[list[Trace], list[str]]:
    first = _read_once(record, readers)
    known = _knowledge(record, table, toml)
    interval = first.axis.interval_s
    # Point k is centred on sample (k + 1) * block - 1/2.
    found = segment(
        first.points * first.scale, first.block * interval, (first.block - 0.5) * interval, known, record.entry.hold_s
    )
    if not found.steps:
        why = "; ".join(found.remarks[:3])
        what = f"{record.entry.file}: no step between two known levels found; {why}"
        raise ManifestError([toml.problem(("capture", record.position, "file"), what)])
    lengths = step_lengths(found.steps, interval, found.ripple_s)
    if lengths is None or lengths.before + lengths.after < MIN_SAMPLES:
        what = f"{record.entry.file}: the steps found are shorter than {MIN_SAMPLES} samples"
        raise ManifestError([toml.problem(("capture", record.position, "file"), what)])
    return _cut(record, first, found, lengths, readers, spill)


def _read_once(record: RecordSource, readers: Mapping[str, TableReader]) -> _First:
    entry, name = record.entry, str(record.source.path)
    light = entry.light[0]
    envelope = Envelope()
    with open_table(record.source.path, entry.columns, name, readers) as table:
        checks, problems = axis_checks(table, [entry.time] if entry.time else [], name)
        values = LightCheck([light], name)
        for block in table.blocks:
            values.feed(block)
            for check in checks.values():
                check.feed(block)
            envelope.feed(np.nan_to_num(np.asarray(block.values[light], dtype=np.float64)))
        problems += [p for c in checks.values() for p in c.problems] + values.problems
        scale, unit, note = light_unit(light, table.units.get(light))
    if envelope.samples < 10 * MIN_SAMPLES:
        problems.append(Problem(f"only {envelope.samples} samples; a record needs {10 * MIN_SAMPLES}", name))
    if problems:
        raise ManifestError(problems)
    axis = next(iter(checks.values())).axis() if checks else Axis(0.0, float(entry.sample_interval_s or 0.0))
    return _First(axis, envelope.samples, envelope.points(), envelope.block, scale, unit, f"light {note}" if note else "")


def _knowledge(record: RecordSource, table: Mapping[int, float], toml: TomlSource) -> Knowledge:
    timeline: Timeline | None = None
    if record.pattern is not None:
        timeline = read_timeline(record.pattern)
    if timeline is None and not record.entry.levels and len(table) < 2:
        what = "nothing tells the levels: give steady captures, `levels` in the order shown, or `pattern`"
        raise ManifestError([toml.problem(("capture", record.position), what)])
    return Knowledge(table, record.entry.levels, timeline)


def _cut(
    record: RecordSource,
    first: _First,
    found: Segmentation,
    lengths: Lengths,
    readers: Mapping[str, TableReader],
    spill: Path,
) -> tuple[list[Trace], list[str]]:
    interval = first.axis.interval_s
    steps, left = step_windows(found.steps, lengths, interval, first.samples)
    holds = hold_windows(found.holds, interval, first.samples)
    cutter = Cutter([*steps, *holds], spill)
    entry = record.entry
    with open_table(record.source.path, entry.columns, str(record.source.path), readers) as table:
        for block in table.blocks:
            cutter.feed(np.asarray(block.values[entry.light[0]]))
    traces = [_trace(record, first, group, cut, lengths, found.ripple_s) for group, cut in sorted(cutter.groups.items())]
    return traces, [*found.remarks, *_left(left)]


def _trace(
    record: RecordSource, first: _First, group: tuple[int, int], cut: NDArray[Any], lengths: Lengths, ripple_s: float
) -> Trace:
    interval = first.axis.interval_s
    source = (SourceFile(name=record.source.name, sha256=record.source.sha256, column=record.entry.light[0]),)
    low, high = group
    if low == high:
        notes = tuple(n for n in (_HELD, first.note) if n)
        key, axis, codes = f"c01-steady-{low:03d}", Axis(0.0, interval), list(cut)
        return Trace(key, "steady", low, high, codes, axis, float("nan"), first.scale, first.unit, notes, source)
    notes = tuple(n for n in (_NOTE, first.note) if n)
    codes = aligned(cut, lengths, interval, ripple_s)
    key, axis = f"c01-step-{low:03d}-{high:03d}", Axis(0.0, interval)
    return Trace(key, "step", low, high, codes, axis, float("nan"), first.scale, first.unit, notes, source)


def _left(steps: Sequence[Step]) -> list[str]:
    return [
        f"{s.at_s:.3f} s: the step {s.from_level} to {s.to_level} is left out: too near to another change or to an end"
        for s in steps
    ]
