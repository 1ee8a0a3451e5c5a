"""One import from the manifest to the archive: everything is read and checked before the first capture appears."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from greystep.daemon.archive.archive import Archive
from greystep.daemon.failpoints import Failpoints
from greystep.schema.canonical import fingerprint as hash_of
from greystep.schema.capture import CaptureHeader
from greystep.schema.errors import ManifestError, Problem
from greystep.schema.ids import IdSource
from greystep.schema.table import TableReader
from greystep.schema.toml_source import TomlSource

from . import commit, sources
from .captures import Stamp, Trace, build, trace_of
from .collect import Columns, read_columns
from .manifest import Manifest, RecordEntry, SteadyEntry, StepEntry, read_manifest
from .records import RecordSource, traces_of_records

MAX_PROBLEMS = 200


@dataclass(frozen=True)
class Imported:
    """What became of an import."""

    dut: str
    run: str
    captures: tuple[CaptureHeader, ...] = ()
    """Empty when the same import was done before; `run` is then the earlier one."""
    already: bool = False
    remarks: tuple[str, ...] = ()
    """What could not be used, in words: plateaus that were not identified and the like."""


@dataclass(frozen=True)
class Tools:
    """What an import needs from its surroundings."""

    readers: Mapping[str, TableReader]
    """File name ending -> reader."""
    ids: IdSource
    software: Mapping[str, str]
    """Package versions, kept with every capture."""
    failpoints: Failpoints | None = None
    progress: Callable[[str], None] = lambda _text: None


def import_manifest(path: Path, raw: Path, tools: Tools) -> Imported:
    """Import all traces of a manifest as one run.

    Args:
        path: the manifest.
        raw: folder of the archive. The caller holds the home's import lock.
        tools: readers and the like.

    Raises:
        ManifestError: every problem of the manifest and of its files, each with file, line and column. Nothing was imported.
        ArchiveError: the disk failed or is full. Nothing was imported.
    """
    manifest, toml = read_manifest(path)
    found = _sources(path.parent, manifest, toml, tools)
    import_id = _import_id(manifest, found)
    commit.sweep(raw)
    earlier = commit.earlier_import(Archive(raw), manifest.dut.id, import_id)
    if earlier:
        return Imported(manifest.dut.id, earlier, already=True)
    run = tools.ids.new()
    with commit.staging(raw, run) as stage:
        traces, remarks = _traces(manifest, toml, found, tools, stage)
        _unchanged(found)
        now = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        ids = [tools.ids.new() for _ in traces]
        stamp = Stamp(run, import_id, now, time.monotonic(), tools.software, ids)
        tools.progress(f"writing {len(traces)} captures")
        captures = (build(traces, manifest, toml.text, stamp, i) for i in range(len(traces)))
        headers = commit.commit(raw, stage, captures, tools.failpoints)
    return Imported(manifest.dut.id, run, tuple(headers), remarks=tuple(remarks))


def _sources(folder: Path, manifest: Manifest, toml: TomlSource, tools: Tools) -> dict[str, sources.Source]:
    """Every file by its name in the manifest, hashed."""
    problems: list[Problem] = []
    found: dict[str, sources.Source] = {}
    for i, entry in enumerate(manifest.capture):
        named = [("file", entry.file)]
        if isinstance(entry, RecordEntry) and entry.pattern:
            named.append(("pattern", entry.pattern))
        for key, name in named:
            if name in found:
                continue
            place = sources.locate(folder, name)
            if isinstance(place, str):
                problems.append(toml.problem(("capture", i, key), f"{name}: {place}"))
                continue
            try:
                if key == "file":
                    sources.reader_for(name, tools.readers)
                found[name] = sources.fingerprint(place, name)
            except ManifestError as exc:
                problems += [toml.problem(("capture", i, key), f"{name}: {p.message}") for p in exc.problems]
    if problems:
        raise ManifestError(problems[:MAX_PROBLEMS])
    return found


def _import_id(manifest: Manifest, found: Mapping[str, sources.Source]) -> str:
    meaning = manifest.model_dump(mode="json")
    for entry in meaning["capture"]:
        entry["file"] = found[entry["file"]].sha256
        if entry.get("pattern"):
            entry["pattern"] = found[entry["pattern"]].sha256
    meaning["capture"] = sorted(meaning["capture"], key=lambda e: str(sorted(e.items())))
    return hash_of(meaning)


def _traces(
    manifest: Manifest, toml: TomlSource, found: Mapping[str, sources.Source], tools: Tools, stage: Path
) -> tuple[list[Trace], list[str]]:
    """All traces in key order, and remarks."""
    spill = stage / "spill"
    spill.mkdir()
    problems: list[Problem] = []
    columns: dict[str, Columns] = {}
    plain = [(i, e) for i, e in enumerate(manifest.capture) if not isinstance(e, RecordEntry)]
    for name in dict.fromkeys(e.file for _, e in plain):
        tools.progress(f"reading {name}")
        try:
            columns[name] = _read(found[name], [e for _, e in plain if e.file == name], tools, spill)
        except ManifestError as exc:
            problems += exc.problems
    traces: list[Trace] = []
    for i, entry in plain:
        try:
            if entry.file in columns:
                traces.append(trace_of(entry, i, columns[entry.file], found[entry.file], toml))
        except ManifestError as exc:
            problems += exc.problems
    records = [(i, e) for i, e in enumerate(manifest.capture) if isinstance(e, RecordEntry)]
    remarks: list[str] = []
    if not problems:
        try:
            more, remarks = _records(records, traces, toml, found, tools, spill)
            traces += more
        except ManifestError as exc:
            problems += exc.problems
    if problems:
        raise ManifestError(problems[:MAX_PROBLEMS])
    return sorted(traces, key=lambda t: t.key), remarks


def _records(
    records: Sequence[tuple[int, RecordEntry]],
    steady: Sequence[Trace],
    toml: TomlSource,
    found: Mapping[str, sources.Source],
    tools: Tools,
    spill: Path,
) -> tuple[list[Trace], list[str]]:
    if not records:
        return [], []
    given = [RecordSource(e, i, found[e.file], found[e.pattern].path if e.pattern else None) for i, e in records]
    return traces_of_records(given, steady, toml, tools.readers, spill, tools.progress)


def _read(source: sources.Source, entries: Sequence[SteadyEntry | StepEntry], tools: Tools, spill: Path) -> Columns:
    light = tuple(dict.fromkeys(c for e in entries for c in e.light))
    times = tuple(dict.fromkeys(e.time for e in entries if e.time))
    return read_columns(source.path, str(source.path), light, times, tools.readers, spill)


def _unchanged(found: Mapping[str, sources.Source]) -> None:
    problems = [Problem("changed while it was read; import it again", str(s.path)) for s in found.values() if not s.unchanged()]
    if problems:
        raise ManifestError(problems)
