"""`greystep submit`."""

from __future__ import annotations

from pathlib import Path

import click

from .ending import DONE, FLAGGED, debug_option, home_option, told
from .plan import outline
from .shown import chosen_home
from .situation import serving


@click.command(epilog="Example: greystep submit plan.toml")
@click.argument("file", type=click.Path(path_type=Path))
@home_option
@debug_option
@told
def submit(file: Path, home_dir: str | None, debug: bool) -> int:
    """Check FILE and put it into the inbox. The running service takes it; without one it waits there.

    Exit code 3: accepted, and it flashes above the general flash threshold (acknowledged in the plan).
    """
    from greystep.daemon.run.spool import submit as place

    home = chosen_home(home_dir).create()
    name, checked = place(home, file)
    click.echo(outline(checked))
    click.echo(f"placed in the inbox as {name}" + ("" if serving(home) else "; no service is running: start 'greystep serve'"))
    return FLAGGED if checked.flash.above_threshold else DONE
