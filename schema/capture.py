"""A capture: one immutable raw file, as it lives in memory, with all that is needed to interpret it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from .dut import DUT, Condition, Sensor
from .flags import SegmentFlag
from .model import Model

Kind = Literal["step", "steady", "trend", "power"]
Origin = Literal["acquired", "attended", "imported"]


class InstrumentRecord(Model):
    """One instrument as it was when the capture was taken."""

    role: str
    """Role on the bench."""
    driver: str
    """Driver's name."""
    driver_version: str = ""
    """Version of the package that the driver came from."""
    identity: str = ""
    """What the instrument says it is (`*IDN?` where there is one)."""
    resource: str = ""
    """Address."""
    settings: dict[str, Any] = Field(default_factory=dict)
    """Settings as the instrument confirmed them."""


class Reading(Model):
    """One reading of a meter during the capture."""

    role: str
    """Role of the meter."""
    quantity: str
    """luminance, power, temperature."""
    value: float
    """In `unit`."""
    unit: str
    """UDUNITS string: cd/m2, W, degC."""
    u: float | None = None
    """Standard uncertainty, when the meter's specification is known."""
    utc: str = ""
    """When, ISO 8601."""


class SourceFile(Model):
    """Where imported values came from."""

    name: str
    """File name as given in the manifest."""
    sha256: str
    """Of the whole file."""
    column: str = ""
    """Column or dataset path."""


class Planned(Model):
    """The place of the capture in its run; tells whether a group is complete without reading the other files."""

    position: int
    """From 1."""
    total: int
    """Captures in the run."""
    group_total: int
    """Captures in this condition."""
    steady_total: int
    """Steady captures in this condition."""
    methods: tuple[str, ...] = ()
    """Methods that the plan asked for."""
    repeats: int = 0
    """Repeats of each direction that the plan asked for."""


class CaptureMeta(Model):
    """Everything needed to interpret the samples of one capture."""

    schema_version: Literal[1] = 1
    """Version of this record and of the file layout."""
    id: Annotated[str, Field(pattern=r"^[0-9a-z]{26}$")]
    """ULID; sorts by time."""
    run: str
    """Run that it belongs to."""
    key: str
    """Name within the run, such as `c01-step-000-255`; also the file's name."""
    kind: Kind
    """step: level pairs; steady: one level held; trend: slow series; power: power readings."""
    group: str
    """Condition within the run, such as `c01`; captures of one group are interpreted together."""
    origin: Origin = "acquired"
    """How it was taken."""
    dut: DUT
    """Display under test."""
    condition: Condition
    """What was set on the DUT."""
    sensor: Sensor = Sensor()
    """Photosensor."""
    bits: int = 8
    """Bits of a level."""
    bench: str = ""
    """Name of the bench."""
    operator: str = ""
    """Who was responsible."""
    started_utc: str
    """Start of the capture, ISO 8601 UTC; for people."""
    started_monotonic_s: float
    """Start on the host's monotonic clock, in s; for intervals within one boot."""
    duration_s: float = 0.0
    """From arming to the last sample's arrival, in s."""
    pattern_delay_s: float = 0.0
    """The pattern source's own delay from sync edge to the wire, in s."""
    instruments: tuple[InstrumentRecord, ...] = ()
    """Instruments in use."""
    readings: tuple[Reading, ...] = ()
    """Meter readings taken with the capture."""
    sources: tuple[SourceFile, ...] = ()
    """Imported files."""
    planned: Planned
    """Place in the run."""
    retakes: int = 0
    """How many tries were thrown away before this one."""
    notes: tuple[str, ...] = ()
    """Remarks of the runner: why something was retaken or looks odd."""
    software: dict[str, str] = Field(default_factory=dict)
    """Package versions at the time."""


@dataclass(frozen=True)
class Channel:
    """One recorded channel: numbers as the digitiser gave them, and how they become physical values."""

    codes: NDArray[Any]
    """[segment, sample]; integers as sent, or floats when the source was in floats."""
    scale: float = 1.0
    """Unit a code."""
    offset: float = 0.0
    """value = codes * scale + offset."""
    unit: str = "V"
    """UDUNITS string."""
    code_min: float | None = None
    """Lowest code the digitiser can give; a sample there is clipped."""
    code_max: float | None = None
    """Highest code."""

    def values(self) -> NDArray[np.float64]:
        """[segment, sample] in `unit`."""
        return np.asarray(self.codes * self.scale + self.offset, dtype=np.float64)


@dataclass(frozen=True)
class Capture:
    """A capture in memory. The first channel is `light` for step and steady; `value` for trend and power."""

    meta: CaptureMeta
    channels: Mapping[str, Channel]
    """Name -> channel; all with the same [segment, sample] shape."""
    start_s: float
    """Time of the first sample relative to the trigger of its segment, in s (negative with a pretrigger)."""
    interval_s: float
    """Between samples, in s."""
    from_level: NDArray[np.int32]
    """[segment]"""
    to_level: NDArray[np.int32]
    """[segment]; equals from_level where the level was held."""
    flags: NDArray[np.uint32]
    """[segment], bits of `SegmentFlag`."""
    trigger_s: NDArray[np.float64]
    """[segment] trigger instant since the start of the capture, in s."""
    time_s: NDArray[np.float64] | None = None
    """[sample] explicit times, for series without an even interval (trend, power, some imports)."""
    plan_text: str = ""
    """The plan or manifest as accepted."""
    bench_text: str = ""
    """`bench.toml` as it was."""
    dialogue: tuple[str, ...] = ()
    """Commands and replies, without bulk data: `monotonic role > command` and `monotonic role < reply`."""
    sha256: str = ""
    """Of the archived file; empty before it is archived."""
    path: str = ""
    """Where it was read from, relative to the archive; empty before it is archived."""

    @property
    def segments(self) -> int:
        """Number of segments."""
        return len(self.from_level)

    @property
    def samples(self) -> int:
        """Samples a segment."""
        return int(next(iter(self.channels.values())).codes.shape[1])

    @cached_property
    def times_s(self) -> NDArray[np.float64]:
        """[sample] times relative to the trigger, in s."""
        if self.time_s is not None:
            return self.time_s
        return self.start_s + self.interval_s * np.arange(self.samples, dtype=np.float64)

    def flagged(self, flag: SegmentFlag) -> NDArray[np.bool_]:
        """[segment] whether the flag is set."""
        return np.asarray((self.flags & np.uint32(flag)) != 0, dtype=np.bool_)


@dataclass(frozen=True)
class CaptureHeader:
    """What the catalogue needs to know of a capture; read without opening HDF5."""

    meta: CaptureMeta
    segments: int
    samples: int
    from_level: int
    """Lower level of the pair, or the held level."""
    to_level: int
    image_sha256: str
    """SHA-256 of the HDF5 part of the file."""
    path: str = ""
    """Relative to the archive."""
    sha256: str = ""
    """SHA-256 of the whole file."""
    size_bytes: int = 0
    extra: Mapping[str, Any] = field(default_factory=dict)
