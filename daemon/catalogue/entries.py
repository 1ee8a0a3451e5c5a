"""What the catalogue takes in and hands out, as plain frozen data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from greystep.schema.capture import Kind

from .inputs import Inputs
from .record import Record


@dataclass(frozen=True, slots=True)
class CaptureEntry:
    """A capture as the catalogue knows it."""

    row: int
    id: str
    run: str
    group: str
    key: str
    kind: Kind
    dut: str
    condition: str
    """Key of the condition."""
    from_level: int
    to_level: int
    segments: int
    samples: int
    size_bytes: int
    steady_total: int
    group_total: int
    origin: str
    started_utc: str
    sha256: str
    path: str
    reason: str = ""
    """Why it can't be read; empty when it can."""


@dataclass(frozen=True, slots=True)
class GroupEntry:
    """One condition of one run."""

    row: int
    run: str
    group: str
    dut: str
    condition: str
    captures: int
    newest: str
    """Id of the newest capture."""
    version: int
    """Grows with every change of the inputs."""
    run_ended: bool


@dataclass(frozen=True, slots=True)
class MethodEntry:
    """A method under one fingerprint."""

    id: str
    fingerprint: str
    title: str
    record: Mapping[str, Any]
    """Everything that the fingerprint stands for."""
    current: bool = True
    since: str = ""
    """When the catalogue first met it, ISO 8601 UTC."""

    @property
    def key(self) -> str:
        """Stands for this method under this fingerprint."""
        return f"{self.id}@{self.fingerprint}"


@dataclass(frozen=True, slots=True)
class Result:
    """All figures of one capture, or of a whole group, under one fingerprint."""

    group: int
    """Row of the group."""
    capture: int
    """Row of the capture; 0 for the whole group."""
    method: str
    """Id of the method."""
    fingerprint: str
    inputs: Inputs
    """Raw files that went in besides the capture itself."""
    records: tuple[Record, ...] = ()
    failure: str = ""
    """Why there are no figures: the estimator broke its contract, or its process died."""


@dataclass(frozen=True, slots=True)
class Covered:
    """A statement that all figures of a group are up to date under these methods, for this version of its inputs."""

    group: int
    version: int
    methods: frozenset[str]
    """Keys `id@fingerprint`."""


@dataclass(frozen=True)
class Filter:
    """Which measurements. Empty: all. `current` is ignored when a fingerprint is given."""

    dut: tuple[str, ...] = ()
    run: tuple[str, ...] = ()
    group: tuple[str, ...] = ()
    condition: tuple[str, ...] = ()
    """Keys of conditions."""
    overdrive: tuple[str, ...] = ()
    refresh_rate_hz: tuple[float, ...] = ()
    method: tuple[str, ...] = ()
    fingerprint: tuple[str, ...] = ()
    """Whole fingerprints, or their first digits (6 at least)."""
    quantity: tuple[str, ...] = ()
    scope: str = ""
    """`capture`, `group`, or empty for both."""
    current: bool = True
