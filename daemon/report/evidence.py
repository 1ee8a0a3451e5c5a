"""What the page of a run rests on: captures, figures with their budgets, and prepared traces, read once."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from greystep.daemon.analysis.methods import MethodSet, ResolvedMethod, load_methods, method_files
from greystep.daemon.analysis.prepared import PreparedCache
from greystep.daemon.archive.archive import Archive
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import CaptureEntry, Filter, GroupEntry
from greystep.daemon.catalogue.record import Record, unpack
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.schema.capture import CaptureMeta
from greystep.schema.errors import GreystepError
from greystep.schema.figure import Figure

from .prepared_traces import PreparedTraces


@dataclass(frozen=True)
class Stated:
    """A figure with its combined uncertainty."""

    figure: Figure
    u: float
    dof: float
    expanded: float
    """At 95 %; NaN when there is none."""

    @classmethod
    def of(cls, record: Record) -> Stated:
        """From the catalogue."""
        return cls(unpack(record), record.u, record.dof, record.expanded)


@dataclass(frozen=True)
class GroupEvidence:
    """One condition of a run."""

    entry: GroupEntry
    title: str
    """Of the condition."""
    meta: CaptureMeta
    """Of the first capture: DUT, condition, instruments."""
    captures: tuple[CaptureEntry, ...]
    of_captures: Mapping[tuple[str, str], tuple[Stated, ...]]
    """(method id, capture id) -> figures."""
    of_group: Mapping[str, tuple[Stated, ...]]
    """Method id -> figures of the whole group."""

    def each(self, method: str, quantity: str = "") -> Iterator[tuple[CaptureEntry, Stated]]:
        """Figures of the captures under a method, in order of the captures."""
        for capture in self.captures:
            for s in self.of_captures.get((method, capture.id), ()):
                if not quantity or s.figure.quantity == quantity:
                    yield capture, s

    def whole(self, method: str, quantity: str) -> Stated | None:
        """A figure of the whole group."""
        return next((s for s in self.of_group.get(method, ()) if s.figure.quantity == quantity), None)


@dataclass(frozen=True)
class RunEvidence:
    """A run."""

    run: str
    dut: str
    title: str
    started_utc: str
    groups: tuple[GroupEvidence, ...]
    failures: tuple[dict[str, str], ...] = ()
    """What could not be read or computed."""


@dataclass
class Sources:
    """Everything that pages are made from."""

    home: Home
    catalogue: Catalogue
    host: PluginHost
    methods: MethodSet
    archive: Archive
    traces: PreparedTraces
    house: str
    """Id of the house method."""
    _titles: dict[str, str] = field(default_factory=dict)

    def condition_title(self, key: str) -> str:
        """Of a condition in words."""
        if key not in self._titles:
            self._titles = {c["condition"]: c["title"] for c in self.catalogue.conditions()}
        return self._titles.get(key, key)

    @property
    def house_method(self) -> ResolvedMethod | None:
        """The house method, where it is loaded."""
        return self.methods.methods.get(self.house)


@contextmanager
def open_sources(home: Home) -> Iterator[Sources]:
    """Open the home for reading. Raises HomeError or CatalogueError."""
    host = PluginHost.load()
    methods = load_methods(method_files(host.method_files, home.root), host.estimators, host.preparers)
    try:
        house = home.bench()[0].house_method
    except GreystepError:
        house = "band-first-entry"
    archive = Archive(home.raw)
    with Catalogue(home.catalogue) as catalogue:
        traces = PreparedTraces(archive, host, PreparedCache(home.prepared))
        yield Sources(home, catalogue, host, methods, archive, traces, house)


def gather_run(sources: Sources, run: str) -> RunEvidence:
    """Read all figures of a run under the current methods. Raises CatalogueError when the run is not known."""
    catalogue = sources.catalogue
    found = catalogue.runs(Filter(run=(run,)))
    if not found:
        raise GreystepError(f"there is no run {run!r} in the catalogue", todo="'greystep status' lists the runs")
    groups = tuple(g for g in (_group(sources, e) for e in catalogue.run_groups(run)) if g is not None)
    failures = tuple(f for f in catalogue.failures() if f["run"] == run)
    return RunEvidence(run, found[0]["dut"], found[0]["title"], found[0]["started_utc"], groups, failures)


def _group(sources: Sources, entry: GroupEntry) -> GroupEvidence | None:
    captures = tuple(sources.catalogue.group_captures(entry.row))
    readable = [c for c in captures if not c.reason]
    meta = _first_meta(sources.archive, readable)
    if meta is None:
        return None
    of_captures: dict[tuple[str, str], tuple[Stated, ...]] = {}
    of_group: dict[str, tuple[Stated, ...]] = {}
    for method in sources.methods.methods.values():
        for capture in readable:
            if capture.kind in method.kinds:
                of_captures[method.id, capture.id] = _stated(sources.catalogue, entry.row, capture.row, method)
        of_group[method.id] = _stated(sources.catalogue, entry.row, 0, method)
    title = sources.condition_title(entry.condition)
    return GroupEvidence(entry, title, meta, captures, of_captures, of_group)


def _first_meta(archive: Archive, captures: Sequence[CaptureEntry]) -> CaptureMeta | None:
    for capture in sorted(captures, key=lambda c: c.kind != "step"):
        try:
            return archive.header(capture.path).meta
        except GreystepError:
            continue
    return None


def _stated(catalogue: Catalogue, group: int, capture: int, method: ResolvedMethod) -> tuple[Stated, ...]:
    return tuple(map(Stated.of, catalogue.records(group, capture, method.id, method.fingerprint) or ()))


def finite(*values: float) -> bool:
    """Whether all are numbers."""
    return all(math.isfinite(v) for v in values)
