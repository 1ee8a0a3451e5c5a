"""`greystep report`."""

from __future__ import annotations

import click

from .ending import DONE, debug_option, home_option, told
from .shown import chosen_home


@click.command(epilog="Example: greystep report")
@click.argument("run", required=False)
@home_option
@debug_option
@told
def report(run: str | None, home_dir: str | None, debug: bool) -> int:
    """Write the static pages: of RUN (its id or first characters), or of all runs and the index."""
    from greystep.daemon.report import build_report

    from .choosing import chosen, open_catalogue

    home = chosen_home(home_dir)
    if run:
        with open_catalogue(home) as catalogue:
            run = chosen(catalogue, runs=(run,)).run[0]
    click.echo(str(build_report(home, run)))
    return DONE
