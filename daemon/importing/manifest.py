"""The import manifest: which file holds which trace. The user writes it as TOML; it is kept with every capture."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal, Self

from greystep.schema.dut import DUT, Condition, Sensor
from greystep.schema.errors import ManifestError, Problem
from greystep.schema.model import Model
from greystep.schema.toml_source import TomlSource
from pydantic import Field, StringConstraints, model_validator

BITS = 8
TOP_LEVEL = 2**BITS - 1
Level = Annotated[int, Field(ge=0, le=TOP_LEVEL)]
Column = Annotated[str, StringConstraints(min_length=1, max_length=200)]


class Traces(Model):
    """Where samples stand in a file."""

    file: Annotated[str, StringConstraints(min_length=1, max_length=1000)]
    """File beside the manifest, or in a folder below it."""
    time: Column | None = None
    """Column of the time; or give `sample_interval_s`."""
    sample_interval_s: Annotated[float, Field(gt=0, le=3600)] | None = None
    """Time between two samples, in s, when the file has no column of the time."""
    light: Annotated[tuple[Column, ...], Field(min_length=1, max_length=1000)]
    """Columns of the photosensor, one a repeat."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.time is None) == (self.sample_interval_s is None):
            raise ValueError("needs either time (a column) or sample_interval_s")
        columns = [*self.light, *([self.time] if self.time else [])]
        double = next((c for c in columns if columns.count(c) > 1), None)
        if double is not None:
            raise ValueError(f"the column {double!r} is named twice")
        return self

    @property
    def columns(self) -> tuple[str, ...]:
        """All columns to read, the time first."""
        return (*((self.time,) if self.time else ()), *self.light)


class SteadyEntry(Traces):
    """One level held."""

    kind: Literal["steady"]
    level: Level
    """Level that was held."""


class StepEntry(Traces):
    """One change of level."""

    kind: Literal["step"]
    from_level: Level
    """Level before the change."""
    to_level: Level
    """Level after it."""
    step_time_s: float | None = None
    """When the DUT was told to change, on the file's time axis, in s; None: unknown, delays can't be measured."""

    @model_validator(mode="after")
    def _changes(self) -> Self:
        if self.from_level == self.to_level:
            raise ValueError(f'from_level and to_level are both {self.to_level}; a level that was held is kind = "steady"')
        return self


class RecordEntry(Traces):
    """One long record with many changes at unknown times."""

    kind: Literal["record"]
    levels: Annotated[tuple[Level, ...], Field(max_length=100_000)] = ()
    """Levels in the order in which they were shown, when that is known."""
    pattern: Annotated[str, StringConstraints(max_length=1000)] = ""
    """Manifest of the exported pattern files that were played."""
    hold_s: Annotated[float, Field(gt=0.02, le=3600)] | None = None
    """How long each level was held, about, in s; None: found from the record."""

    @model_validator(mode="after")
    def _single(self) -> Self:
        if len(self.light) > 1:
            raise ValueError("a record has one column in light; its repeats are found in it")
        return self


Entry = Annotated[SteadyEntry | StepEntry | RecordEntry, Field(discriminator="kind")]


class Manifest(Model):
    """What was recorded, of which display, under which condition."""

    dut: DUT
    """Display under test."""
    condition: Condition
    """What was set on it."""
    sensor: Sensor = Sensor()
    """Photosensor, as far as it is known."""
    capture: Annotated[tuple[Entry, ...], Field(max_length=4000)]
    """The traces."""


def entry_key(entry: SteadyEntry | StepEntry) -> str:
    """Name of the capture within its run."""
    if isinstance(entry, SteadyEntry):
        return f"c01-steady-{entry.level:03d}"
    return f"c01-step-{entry.from_level:03d}-{entry.to_level:03d}"


def read_manifest(path: Path) -> tuple[Manifest, TomlSource]:
    """Read and check a manifest by itself; the files that it names are not opened.

    Raises:
        ManifestError: every problem with its line.
    """
    source = TomlSource.read(path, ManifestError)
    try:
        manifest = source.validate(Manifest, ManifestError)
    except ManifestError as exc:
        raise ManifestError([_kind_named(p, source) for p in exc.problems]) from exc.__cause__
    problems = list(_duplicates(manifest, source))
    if not manifest.capture:
        problems.append(source.problem(("capture",), "no [[capture]] at all: there is nothing to import"))
    if problems:
        raise ManifestError(problems)
    return manifest, source


def _kind_named(problem: Problem, source: TomlSource) -> Problem:
    """The problem, in plain words where the kind of an entry is missing or unknown."""
    if "'steady', 'step', 'record'" not in problem.message and "discriminator 'kind'" not in problem.message:
        return problem
    place = (*(int(p) if p.isdecimal() else p for p in problem.path.split(".")), "kind")
    return source.problem(place, "must be steady, step or record")


def _duplicates(manifest: Manifest, source: TomlSource) -> Iterator[Problem]:
    seen: dict[str, int] = {}
    for i, entry in enumerate(manifest.capture):
        if isinstance(entry, RecordEntry):
            continue
        key = entry_key(entry)
        if key in seen:
            first = source.line(("capture", seen[key]))
            yield source.problem(
                ("capture", i),
                f"the same levels stand at line {first} already; give repeats as more columns in `light`",
            )
        seen.setdefault(key, i)
