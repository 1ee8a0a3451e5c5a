"""A piece of work: which figures of one group are wanted, and every raw file that they may depend on.

What depends on what, and nothing else:

    figures of a step or steady capture   that capture + all steady captures of its group (they give curve and ripple)
    figures of a trend or power capture   that capture
    figures of the group                  all captures of the kinds that the method reads, and what they depend on; for a
                                          method that compares conditions also the power captures of the run's other groups
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from greystep.daemon.catalogue.entries import CaptureEntry, Result
from greystep.daemon.catalogue.inputs import Inputs
from greystep.daemon.catalogue.record import Record
from greystep.schema.capture import Kind

from .methods import ResolvedMethod


@dataclass(frozen=True, slots=True)
class Source:
    """A raw file."""

    row: int
    """Of the capture in the catalogue."""
    id: str
    key: str
    kind: Kind
    sha256: str
    path: str
    """Relative to the archive."""
    values: int
    """Samples in all its segments."""

    @classmethod
    def of(cls, c: CaptureEntry) -> Source:
        """Of a catalogue entry."""
        return cls(c.row, c.id, c.key, c.kind, c.sha256, c.path, c.segments * c.samples)


@dataclass(frozen=True, slots=True)
class Wanted:
    """A capture and the methods to apply to it."""

    source: Source
    methods: tuple[int, ...]
    """Index into the work's methods."""


@dataclass(frozen=True, slots=True)
class Sibling:
    """Another group of the run, as far as figures that compare conditions need it."""

    condition: str
    """Key of its condition."""
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """Figures of the whole group to make."""

    method: int
    sources: tuple[Source, ...]
    """Captures that it sums up, by key."""
    inputs: Inputs
    known: Mapping[int, tuple[Record, ...]] = field(default_factory=dict)
    """Capture row -> its figures, where they are up to date and needn't be computed."""
    siblings: tuple[Sibling, ...] = ()


@dataclass(frozen=True, slots=True)
class Work:
    """Plain data that crosses process borders."""

    group: int
    version: int
    """Of the group's inputs when this was planned."""
    name: str
    """Run and group, for messages."""
    methods: tuple[ResolvedMethod, ...]
    steady: tuple[Source, ...]
    """All steady captures of the group, by key."""
    steady_complete: bool
    """Whether all planned ones are there."""
    captures: tuple[Wanted, ...] = ()
    summaries: tuple[Summary, ...] = ()

    @property
    def values(self) -> int:
        """Samples to read at most; stands for the cost."""
        return sum(w.source.values for w in self.captures) + sum(s.values for s in self.steady)

    def context_of(self, source: Source) -> tuple[Source, ...]:
        """The captures whose samples give the context of this one."""
        return context_sources(self.steady, source)

    def inputs_of(self, source: Source) -> Inputs:
        """What the figures of a capture depend on besides the capture."""
        return capture_inputs(self.steady, self.steady_complete, source.kind)


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A raw file that can't be used."""

    id: str
    reason: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one piece of work."""

    results: tuple[Result, ...] = ()
    unreadable: tuple[Unreadable, ...] = ()
    seconds: float = 0.0
    captures: int = 0
    """Captures that were worked on."""
    paces: tuple[tuple[str, int, float], ...] = ()
    """(method id, captures, seconds): what each method cost; `` stands for reading and preparing."""


def context_sources(steady: tuple[Source, ...], source: Source) -> tuple[Source, ...]:
    """Steady captures for light, where there are any; else the capture itself."""
    return steady if steady and source.kind in ("step", "steady") else (source,)


def capture_inputs(steady: Sequence[Source], complete: bool, kind: Kind) -> Inputs:
    """See the module."""
    if kind in ("step", "steady"):
        return Inputs.of((s.sha256 for s in steady), complete=complete)
    return Inputs()
