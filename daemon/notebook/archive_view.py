"""A home folder from a notebook: what there is, read only."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from greystep.daemon.analysis.methods import ResolvedMethod
from greystep.daemon.catalogue.entries import CaptureEntry, Filter
from greystep.daemon.home import Home
from greystep.daemon.report.evidence import Sources, open_sources
from greystep.schema.capture import Kind
from greystep.schema.errors import GreystepError

from .capture_view import CaptureView
from .chart import Chart
from .frames import Library, frame_of, known_library, measurements_frame

if TYPE_CHECKING:
    from greystep.daemon.compare import Comparison


def open_home(home: str | Path | None = None, *, frames: Library = "pandas") -> ArchiveView:
    """Open a home folder for reading.

    Args:
        home: the folder; None: `GREYSTEP_HOME`, or the user's data folder.
        frames: what tables come as: `pandas`, `polars` or `arrow`.

    Raises:
        HomeError: there is no home. CatalogueError: its catalogue can't be read. GreystepError: no such library.
    """
    return ArchiveView(Home.find(home).require(), known_library(frames))


class ArchiveView:
    """Everything measured in a home. A context manager; closes by itself when it is forgotten."""

    def __init__(self, home: Home, frames: Library = "pandas") -> None:
        self.home = home
        self.frames: Library = frames
        self._stack = ExitStack()
        self.sources: Sources = self._stack.enter_context(open_sources(home))
        self._groups = lru_cache(maxsize=64)(self._read_group)

    def close(self) -> None:
        """Close; safe to call twice."""
        self._stack.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<greystep home {self.home.root}: {len(self.sources.catalogue.runs())} runs>"

    # What there is

    def displays(self) -> Any:
        """A row a display."""
        return frame_of(self.sources.catalogue.duts(), self.frames)

    def runs(self) -> Any:
        """A row a run, newest first."""
        rows = [{k: v for k, v in r.items() if k != "dut_record"} | r["dut_record"] for r in self.sources.catalogue.runs()]
        return frame_of(rows, self.frames)

    def methods(self) -> Any:
        """A row a method that is loaded."""
        known = self.sources.methods.methods.values()
        return frame_of([{"id": m.id, "title": m.definition.title, "fingerprint": m.fingerprint} for m in known], self.frames)

    def method(self, name: str | None = None) -> ResolvedMethod:
        """A method by id; the house method when none is given. Raises MethodError."""
        return self.sources.methods.require(name or self.sources.house)[0]

    # Captures

    def captures(
        self,
        *,
        dut: str = "",
        run: str = "",
        kind: Kind | None = None,
        from_level: int | None = None,
        to_level: int | None = None,
    ) -> list[CaptureView]:
        """Captures in order of display, run, condition, key.

        Args:
            dut: id of a display, or a part of it; empty: all.
            run: id of a run.
            kind: step, steady, trend or power.
            from_level: lower level of the pair.
            to_level: upper level of the pair, or the held level.
        """
        found = self.sources.catalogue.captures(Filter(run=(run,) if run else ()))
        return [
            CaptureView(c, self)
            for c in found
            if dut in c.dut
            and (kind is None or c.kind == kind)
            and (from_level is None or c.from_level == from_level)
            and (to_level is None or c.to_level == to_level)
        ]

    def capture(self, identity: str) -> CaptureView:
        """A capture by its id. Raises GreystepError when there is none."""
        found = self.sources.catalogue.capture(identity)
        if found is None:
            raise GreystepError(f"there is no capture {identity!r}", todo="captures() lists them")
        return CaptureView(found, self)

    def neighbours(self, entry: CaptureEntry) -> tuple[CaptureEntry, ...]:
        """All captures of the same condition of the same run: they are interpreted together."""
        return self._groups(entry.run, entry.group)

    def _read_group(self, run: str, group: str) -> tuple[CaptureEntry, ...]:
        return tuple(self.sources.catalogue.captures(Filter(run=(run,), group=(group,))))

    # Measurements

    def measurements(
        self,
        *,
        dut: str | Sequence[str] = (),
        run: str | Sequence[str] = (),
        method: str | Sequence[str] = (),
        quantity: str | Sequence[str] = (),
        scope: str = "",
        all_fingerprints: bool = False,
        frames: Library | None = None,
    ) -> Any:
        """Measurements, a row each, in SI units; columns as in the CSV files.

        Args:
            dut: ids of displays; empty: all. The same for the others.
            run: ids of runs.
            method: ids of methods.
            quantity: names of quantities.
            scope: `capture` for figures of captures, `group` for figures of conditions.
            all_fingerprints: also those of older definitions of the methods.
            frames: `pandas`, `polars` or `arrow`; None: as the home was opened.
        """
        f = Filter(
            dut=_names(dut),
            run=_names(run),
            method=_names(method),
            quantity=_names(quantity),
            scope=scope,
            current=not all_fingerprints,
        )
        return measurements_frame(self.sources.catalogue, f, known_library(frames or self.frames))

    def compare(self, *duts: str, method: str | None = None, **options: Any) -> Comparison:
        """Ranking with shared ranks; options as in `greystep.daemon.compare.compare`."""
        from greystep.daemon.compare import compare

        return compare(self.sources.catalogue, method=method or self.sources.house, duts=duts, **options)

    def charts(self, run: str) -> dict[str, Chart]:
        """Charts of a run's page by name. Raises GreystepError for an unknown run."""
        from greystep.daemon.report.evidence import gather_run
        from greystep.daemon.report.run_page import run_page

        page = run_page(self.sources, gather_run(self.sources, run))
        return {name: Chart(c.spec) for name, c in page["charts"].items()}


def _names(given: str | Sequence[str]) -> tuple[str, ...]:
    return (given,) if isinstance(given, str) and given else tuple(given)
