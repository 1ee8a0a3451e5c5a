"""Write the pages of a home: one for the archive, one a run, and what they share."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from greystep.daemon.analysis.difference import Difference
from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.home import Home
from greystep.schema.errors import GreystepError

from .assets import write_assets
from .changes_page import changes_page, place_of
from .compare_page import compare_page
from .display_page import display_page
from .evidence import Sources, gather_run, open_sources
from .index_page import index_page
from .rendering import render, write_page
from .run_page import run_page
from .tables import write_run_tables
from .theme import chart_config


def build_report(home: Home, run: str | None = None) -> Path:
    """Write the pages of one run, or of all, and the index.

    Args:
        home: the home folder.
        run: name of the run; None: every run that is in the catalogue.

    Returns:
        The page to open: that of the run, or the index.

    Raises:
        GreystepError: there is no such run, the home or its catalogue can't be read, or the pages can't be written.
    """
    try:
        with open_sources(home.require()) as sources:
            write_assets(home.reports)
            runs = [run] if run else [r["run"] for r in sources.catalogue.runs()]
            pages = [_write_run(sources, name) for name in runs]
            index = _write_shared(sources, run)
    except OSError as exc:
        raise GreystepError(
            f"the pages can't be written: {exc.strerror or exc}", where=str(home.reports), todo="check the disk"
        ) from exc
    return pages[0] if run else index


def write_changes(home: Home, made: Difference) -> Path:
    """The page of what changed between two fingerprints.

    Raises:
        GreystepError: the home or its catalogue can't be read, or the page can't be written.
    """
    try:
        with open_sources(home.require()) as sources:
            write_assets(home.reports)
            page = {**_frame(sources, ".."), **changes_page(sources, made)}
            return write_page(place_of(home.reports, made), "changes.html.j2", **page)
    except OSError as exc:
        raise GreystepError(
            f"the page can't be written: {exc.strerror or exc}", where=str(home.reports), todo="check the disk"
        ) from exc


def _frame(sources: Sources, root: str) -> dict[str, Any]:
    """What every page needs: the way to the shared files, chart themes, when and with what it was made."""
    from importlib.metadata import version

    return {
        "root": root,
        "themes": {name: chart_config(name) for name in ("light", "dark")},
        "made_utc": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "version": version("greystep"),
        "bench": _bench_name(sources),
    }


def _bench_name(sources: Sources) -> str:
    try:
        return sources.home.bench()[0].name
    except GreystepError:
        return ""


def _write_run(sources: Sources, name: str) -> Path:
    """A run's folder appears at once when all its files are there; an older one is replaced."""
    evidence = gather_run(sources, name)
    folder = sources.home.reports / "runs" / evidence.run
    folder.parent.mkdir(parents=True, mode=0o700, exist_ok=True)
    part = folder.with_name(f".part-{os.getpid()}-{folder.name}")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(mode=0o700)
    try:
        frame = _frame(sources, "../..")
        (part / "index.html").write_text(render("run.html.j2", **frame, **run_page(sources, evidence)), encoding="utf-8")
        write_run_tables(sources, evidence, part, frame)
        shutil.rmtree(folder, ignore_errors=True)
        part.rename(folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return folder / "index.html"


def _write_shared(sources: Sources, run: str | None) -> Path:
    """Pages that rest on several runs: of the displays (only that of the run when there is one), the comparisons, the index."""
    reports = sources.home.reports
    frame = _frame(sources, "..")
    chosen = sources.catalogue.runs(Filter(run=(run,))) if run else []
    wanted = {r["dut"] for r in chosen}
    for dut in sources.catalogue.duts():
        place = reports / "displays" / f"{dut['dut']}.html"
        # The index links to every display: a page that is missing is made as well.
        if not wanted or dut["dut"] in wanted or not place.exists():
            write_page(place, "display.html.j2", **frame, **display_page(sources, dut["dut"]))
    frame = _frame(sources, ".")
    write_page(reports / "compare.html", "compare.html.j2", **frame, **compare_page(sources))
    return write_page(reports / "index.html", "index.html.j2", **frame, **index_page(sources))
