"""`greystep submit`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .ending import DONE, FAILED, FLAGGED, debug_option, home_option, told
from .plan import outline
from .shown import chosen_home
from .situation import serving

if TYPE_CHECKING:
    from greystep.daemon.home import Home

_TURN_S = 0.5


@click.command(epilog="Example: greystep submit plan.toml")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--wait", is_flag=True, help="Wait for the end of the run; needs a running service.")
@home_option
@debug_option
@told
def submit(file: Path, wait: bool, home_dir: str | None, debug: bool) -> int:
    """Check FILE and put it into the inbox. The running service takes it; without one it waits there.

    Exit code 3: accepted, and it flashes above the general flash threshold (acknowledged in the plan). With --wait: 0 finished,
    1 failed or cancelled, 3 finished with flagged captures.
    """
    from greystep.daemon.run.queue import run_folders
    from greystep.daemon.run.spool import submit as place
    from greystep.schema.errors import GreystepError

    home = chosen_home(home_dir).create()
    if wait and not serving(home):
        raise GreystepError("no service is running in this home", where=str(home.root), todo="start 'greystep serve' first")
    known = {p.name for p in run_folders(home)}
    name, checked = place(home, file)
    click.echo(outline(checked))
    click.echo(f"placed in the inbox as {name}" + ("" if serving(home) else "; no service is running: start 'greystep serve'"))
    if wait:
        return _wait(home, name, known)
    return FLAGGED if checked.flash.above_threshold else DONE


def _wait(home: Home, name: str, known: set[str]) -> int:
    """Until the run of this file in the inbox is over. Raises GreystepError when it is set aside, or the service ends."""
    from greystep.daemon.run.journal import ENDED, Journal
    from greystep.daemon.run.queue import run_folders
    from greystep.daemon.run.status import read_status
    from greystep.schema.errors import GreystepError

    run: Path | None = None
    while True:
        if run is None:
            new = [p for p in run_folders(home) if p.name not in known]
            run = next((p for p in new if any(e.data.get("file") == name for e in Journal(p).entries()[:1])), None)
        state = Journal(run).state() if run else None
        if run and state in ENDED:
            status = read_status(run) or {}
            reason = f": {status['reason']}" if status.get("reason") else ""
            click.echo(f"run {run.name} {state}, {status.get('done', 0)} captures{reason}")
            return FAILED if state != "finished" else FLAGGED if status.get("flagged") else DONE
        if (home.rejected / name).exists():
            raise GreystepError("the plan was set aside", where=str(home.rejected / f"{name}.reason.txt"))
        if not serving(home):
            raise GreystepError("the service has ended before the run", todo="it goes on with 'greystep serve'")
        time.sleep(_TURN_S)
