"""`greystep demo`."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .compare import PLACE_COLUMNS, place_row
from .ending import DONE, FLAGGED, debug_option, home_option, told
from .shown import show

if TYPE_CHECKING:
    from greystep.daemon.demo.demo import Progress

METHOD = "band-first-entry"


@click.command(epilog="Example: greystep demo --home demo-home")
@click.option("--workers", type=click.IntRange(1, 256), help="Analysis processes (default: one a processor).")
@home_option
@debug_option
@told
def demo(workers: int | None, home_dir: str | None, debug: bool) -> int:
    """Run the whole job on a virtual bench: five invented displays, real SCPI sockets, raw files, ranking, pages.

    Without --home a new folder is made. Nothing is flashed: the displays are simulated.
    """
    from greystep.daemon.catalogue import Catalogue
    from greystep.daemon.compare import compare
    from greystep.daemon.demo import run_demo
    from greystep.daemon.home import Home

    given = home_dir or click.get_current_context().find_root().obj
    home = Home(Path(given).expanduser().absolute() if given else Path(tempfile.mkdtemp(prefix="greystep-demo-")))
    with _progress() as progress:
        done = run_demo(home, progress=progress, workers=workers)
    with Catalogue(home.catalogue) as catalogue:
        ranking = compare(catalogue, method=METHOD, mixed=True)
    click.echo(f"Mean transition duration over 20 transitions, method {METHOD}, coverage 95 %")
    show([place_row(p, ranking.quantity) for p in ranking.places], PLACE_COLUMNS[:4], "table")
    click.echo("")
    click.echo(f"{done.captures} captures in {done.acquisition_s:.1f} s, everything in {done.total_s:.1f} s")
    click.echo(f"pages: {done.report}")
    click.echo(f"home:  {home.root}   (try: greystep --home {home.root} results --method {METHOD})")
    return DONE if all(p.standing.value == p.standing.value for p in ranking.places) else FLAGGED


@contextmanager
def _progress() -> Iterator[Progress]:
    """A bar on a terminal, a line a display when piped."""
    if sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            tasks: dict[str, Any] = {}

            def move(what: str, done: int, total: int) -> None:
                if what not in tasks:
                    tasks[what] = bar.add_task(what, total=None)
                bar.update(tasks[what], completed=done, total=total or None)

            yield move
        return
    told_of: set[str] = set()

    def say(what: str, done: int, total: int) -> None:
        if what not in told_of:
            told_of.add(what)
            click.echo(f"{what} ...", err=True)

    yield say
