"""`greystep recompute`."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from .choosing import choosing_options, chosen, open_catalogue
from .completing import METHOD
from .ending import DONE, FLAGGED, debug_option, home_option, told
from .numbers import quantity_text
from .shown import chosen_home, format_option, show

if TYPE_CHECKING:
    from greystep.daemon.analysis.difference import Difference
    from greystep.daemon.analysis.recompute import Changed, Progress, Report
    from greystep.daemon.catalogue import Catalogue
    from greystep.daemon.home import Home

_CHANGE_COLUMNS = ["dut", "condition_title", "quantity", "from_level", "to_level", "unit", "old", "new", "change"]
_CHANGE_COLUMNS += ["expanded_uncertainty", "significant", "rank_before", "rank_after", "why"]

_MOVED = 10
"""Transitions in the table on screen; JSON and the page hold more."""


@click.command(epilog="Example: greystep recompute --dry-run")
@click.option("--method", "methods", multiple=True, metavar="ID", shell_complete=METHOD, help="Only this method.")
@choosing_options
@click.option("--workers", type=click.IntRange(1, 256), help="Processes (default: one a processor).")
@click.option("--cluster", metavar="ADDRESS", help="Dask scheduler to work on, such as tcp://host:8786.")
@click.option("--dry-run", is_flag=True, help="Say what is out of date and how long it would take.")
@click.option("--diff", nargs=2, metavar="OLD NEW", help="Compare two fingerprints (first digits) and compute nothing.")
@format_option
@home_option
@debug_option
@told
def recompute(
    methods: tuple[str, ...],
    duts: tuple[str, ...],
    runs: tuple[str, ...],
    refresh: tuple[float, ...],
    overdrive: tuple[str, ...],
    workers: int | None,
    cluster: str | None,
    dry_run: bool,
    diff: tuple[str, str] | None,
    form: str,
    home_dir: str | None,
    debug: bool,
) -> int:
    """Bring measurements up to date with the methods, from the raw files, and say what changed.

    Old measurements stay, addressable by their fingerprint. Exit code 3: something could not be computed.
    """
    home = chosen_home(home_dir)
    if diff:
        return _diff(home, diff, (duts, runs, refresh, overdrive), form)
    if dry_run:
        return _dry_run(home, methods, (duts, runs, refresh, overdrive), workers, form)
    with home.require().lock(holder="a recompute"):
        return _run(home, methods, (duts, runs, refresh, overdrive), workers, cluster, form)


def _parts(home: Home, methods: tuple[str, ...], catalogue: Any, where: tuple[Any, ...]) -> Any:
    from greystep.daemon.analysis.recompute import Recompute
    from greystep.daemon.host import PluginHost
    from greystep.daemon.service import methods_of

    known = methods_of(home, PluginHost.load())
    for problem in known.problems:
        click.echo(str(problem), err=True)
    return Recompute(catalogue, known, methods, chosen(catalogue, *where))


def _dry_run(home: Home, methods: tuple[str, ...], where: tuple[Any, ...], workers: int | None, form: str) -> int:
    from greystep.daemon.analysis.backend import home_setup, worker_count
    from greystep.daemon.analysis.worker import make_engine

    with open_catalogue(home) as catalogue:
        plan = _parts(home, methods, catalogue, where).dry_run(
            worker_count(workers), make_engine(home_setup(home.root), lambda _: None)
        )
    rows = [
        {
            "method": m.method,
            "out_of_date": m.captures,
            "of": m.total,
            "fingerprint": m.fingerprint[:12],
            "cpu_s": round(m.estimate_s, 1),
        }
        for m in plan.methods
    ]
    show(rows, ["method", "out_of_date", "of", "fingerprint", "cpu_s"], form)
    if form == "table":
        how = "measured pace" if plan.measured else "rough guess"
        due = any(m.captures for m in plan.methods)
        click.echo(f"about {plan.estimate_s:.0f} s with {plan.workers} workers ({how})" if due else "nothing is out of date")
    return DONE


def _run(
    home: Home, methods: tuple[str, ...], where: tuple[Any, ...], workers: int | None, cluster: str | None, form: str
) -> int:
    from greystep.daemon.analysis.backend import home_setup
    from greystep.daemon.analysis.indexing import index
    from greystep.daemon.analysis.pool import Pool
    from greystep.daemon.archive.archive import Archive
    from greystep.daemon.run.queue import ended_runs

    if cluster:
        from greystep.daemon.analysis.cluster import Cluster

        backend: Any = Cluster(cluster, home_setup(home.root))
    else:
        backend = Pool(home_setup(home.root), workers)
    try:
        with open_catalogue(home, write=True) as catalogue:
            found = index(Archive(home.raw), catalogue, trust_paths=True)
            for run in ended_runs(home):
                catalogue.mark_run_ended(run)
            with _progress() as tell:
                done = _parts(home, methods, catalogue, where).run(backend, tell)
            changes = _changes(catalogue, done.changed)
    finally:
        backend.close()
    _print(done, changes, form)
    _pages(home, changes, form)
    for text in [*found.problems, *done.quarantined]:
        click.echo(text, err=True)
    return FLAGGED if found.problems or done.quarantined else DONE


def _changes(catalogue: Catalogue, changed: Sequence[Changed]) -> list[Difference]:
    """What the figures did where a method has another fingerprint than before."""
    from contextlib import suppress

    from greystep.daemon.analysis.difference import compare
    from greystep.schema.errors import CatalogueError

    made = []
    for change in changed:
        with suppress(CatalogueError):  # nothing that both fingerprints have
            made.append(compare(catalogue, change.old, change.new))
    return made


def _print(done: Report, changes: list[Difference], form: str) -> None:
    if form == "json":
        facts: dict[str, Any] = {"captures": done.captures, "results": done.results, "groups": done.groups}
        facts |= {"seconds": round(done.seconds, 3), "deaths": done.deaths, "quarantined": list(done.quarantined)}
        facts |= {"changed": [vars(c) for c in done.changed], "differences": [d.as_json() for d in changes]}
        click.echo(json.dumps(facts, indent=1, ensure_ascii=False))
        return
    if form == "csv":
        show([row for d in changes for row in d.rows()], _CHANGE_COLUMNS, form)
        return
    pace = f", {done.captures / done.seconds:.0f} captures/s" if done.captures and done.seconds > 0 else ""
    click.echo(f"{done.captures} captures, {done.results} results in {done.seconds:.1f} s{pace}")
    for change in done.changed:
        click.echo(f"{change.method}: fingerprint {change.old[:12]} -> {change.new[:12]}; the old figures stay")
    for d in changes:
        _show_difference(d)


def _pages(home: Home, changes: list[Difference], form: str) -> None:
    """A page for each difference; told where only people read."""
    if not changes:
        return
    from greystep.daemon.report.build import write_changes
    from greystep.schema.errors import GreystepError

    for d in changes:
        try:
            page = write_changes(home, d)
        except GreystepError as exc:  # what was asked for has been shown
            click.echo(str(exc), err=True)
            continue
        if form == "table":
            click.echo(f"page: {page}")


@contextmanager
def _progress() -> Iterator[Callable[[Progress], None]]:
    """A bar with the time left on a terminal, nothing when piped."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("conditions"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.description}"),
        TimeRemainingColumn(),
    )
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task("", total=None)

        def move(now: Progress) -> None:
            told = f"{now.captures} captures, {now.results} results"
            bars.update(task, completed=now.groups, total=now.groups_total, description=told)

        yield move


def _diff(home: Home, diff: tuple[str, str], where: tuple[Any, ...], form: str) -> int:
    from greystep.daemon.analysis.difference import compare

    with open_catalogue(home) as catalogue:
        made = compare(catalogue, *diff, where=chosen(catalogue, *where))
    if form == "json":
        click.echo(json.dumps(made.as_json(), indent=1, ensure_ascii=False))
    elif form == "csv":
        show(made.rows(), _CHANGE_COLUMNS, form)
    else:
        _show_difference(made)
    _pages(home, [made], form)
    return DONE


def _show_difference(made: Difference) -> None:
    for name, old, new in made.parameters:
        click.echo(f"{name}: {old} -> {new}")
    rows = [
        {
            "display": d.title,
            "condition": d.condition_title,
            "quantity": d.quantity,
            "old": quantity_text(d.quantity, d.unit, d.old, math.nan),
            "new": quantity_text(d.quantity, d.unit, d.new, math.nan),
            "change": quantity_text(d.quantity, d.unit, d.change, d.expanded_uncertainty),
            "real": "yes" if d.significant else "not shown",
            "rank": f"{_rank(d.rank_before)} -> {_rank(d.rank_after)}",
            "why": list(d.why),
        }
        for d in made.displays
    ]
    columns = ["display", "condition", "quantity", "old", "new", "change", "real", "rank", "why"]
    show(rows, columns, "table", empty="no display has figures under both fingerprints")
    moved: list[dict[str, Any]] = [
        {
            "display": d.title,
            "condition": d.condition_title,
            "transition": m.to_level if m.from_level is None else f"{m.from_level} to {m.to_level}",
            "change": quantity_text(m.quantity, m.unit, m.change, m.expanded_uncertainty),
            "part": abs(m.change) / abs(m.old) if m.old else 0.0,
            "why": list(m.why),
        }
        for d in made.displays
        for m in d.moved
    ]
    if moved:
        click.echo("Transitions that moved most, relative to what they were")
        moved.sort(key=lambda row: -row["part"])
        show(moved[:_MOVED], ["display", "condition", "transition", "change", "why"], "table")


def _rank(rank: int | None) -> str:
    return "none" if rank is None else str(rank)
