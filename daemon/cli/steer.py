"""`greystep cancel`, `pause` and `resume`: requests to the service, left as files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from .completing import QUEUED
from .ending import DONE, debug_option, home_option, told
from .shown import chosen_home
from .situation import serving

if TYPE_CHECKING:
    from greystep.daemon.home import Home
    from greystep.daemon.run.requests import Request


@click.command(epilog="Example: greystep cancel 01m89jz3yec44j6gr3mrzt612p")
@click.argument("run", shell_complete=QUEUED)
@home_option
@debug_option
@told
def cancel(run: str, home_dir: str | None, debug: bool) -> int:
    """Cancel RUN (its id or the first characters), or a plan that still waits in the inbox (its file name)."""
    home = chosen_home(home_dir).require()
    if "/" not in run and not run.startswith("."):
        for name in (run, f"{run}.toml"):
            if (home.inbox / name).is_file():
                return _take_back(home, name)
    return _ask(home, run, "cancel")


@click.command(epilog="Example: greystep pause 01m89jz3yec44j6gr3mrzt612p")
@click.argument("run", shell_complete=QUEUED)
@home_option
@debug_option
@told
def pause(run: str, home_dir: str | None, debug: bool) -> int:
    """Pause RUN after the present capture; the display goes to level 0."""
    return _ask(chosen_home(home_dir).require(), run, "pause")


@click.command(epilog="Example: greystep resume 01m89jz3yec44j6gr3mrzt612p")
@click.argument("run", shell_complete=QUEUED)
@home_option
@debug_option
@told
def resume(run: str, home_dir: str | None, debug: bool) -> int:
    """Go on with the paused RUN; or with one that failed, where it stopped, once its cause is mended."""
    return _ask(chosen_home(home_dir).require(), run, "resume")


def _take_back(home: Home, name: str) -> int:
    """Set a plan of the inbox aside; one of the same name that lies there already is kept."""
    from greystep.daemon.archive.durable import replace_text
    from greystep.schema.ids import IdSource

    target = home.rejected / name
    if target.exists():
        target = home.rejected / f"{IdSource().new()}-{name}"
    replace_text(target.with_name(f"{target.name}.reason.txt"), "cancelled before it was taken\n")
    (home.inbox / name).rename(target)
    click.echo(f"{name} was set aside as {target}")
    return DONE


def _ask(home: Home, run: str, request: Request) -> int:
    from greystep.daemon.run.journal import ENDED, Journal
    from greystep.daemon.run.requests import ask
    from greystep.schema.errors import GreystepError

    folder = find_run(home, run)
    state = Journal(folder).state()
    if state in ENDED and (state, request) != ("failed", "resume"):
        raise GreystepError(f"run {folder.name} is {state} already")
    ask(folder, request)
    service = "" if serving(home) else "; no service is running: it is done when one starts"
    click.echo(f"asked to {request} {folder.name}{service}")
    return DONE


def find_run(home: Home, run: str) -> Path:
    """Folder of a run by its id or the first characters of it. Raises GreystepError when there is none or more than one."""
    from greystep.daemon.run.queue import run_folders
    from greystep.schema.errors import GreystepError

    found = [p for p in run_folders(home) if p.name.startswith(run)]
    if len(found) != 1:
        raise GreystepError(f"{'no' if not found else 'more than one'} run {run!r}", todo="'greystep status' lists them")
    return found[0]
