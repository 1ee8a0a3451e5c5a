"""`greystep serve`."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from .ending import debug_option, home_option, told
from .shown import chosen_home


@click.command(epilog="Example: greystep serve --home bench-home")
@click.option("--workers", type=click.IntRange(1, 256), help="Analysis processes (default: one a processor).")
@click.option(
    "--observer",
    type=click.Choice(["native", "polling", "none"]),
    default="native",
    show_default=True,
    help="How new files are noticed; polling for network shares. The regular scan works with each.",
)
@click.option("--once", is_flag=True, help="End when the queue is empty and everything is analysed and reported.")
@click.option("--quiet", is_flag=True, help="Log to the home's log file only.")
@click.option(
    "--notify", metavar="COMMAND", default="", help="Command to run when a run has ended; gets the run and its state."
)
@click.option(
    "--record",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Record all that goes over the wires, bulk data included: FOLDER/ROLE.jsonl.",
)
@home_option
@debug_option
@told
def serve(
    workers: int | None,
    observer: str,
    once: bool,
    quiet: bool,
    notify: str,
    record: Path | None,
    home_dir: str | None,
    debug: bool,
) -> int:
    """Run the service in the foreground: take plans from the inbox, capture, archive, analyse, report.

    One service a home. SIGTERM or Ctrl-C ends it; the display is left at level 0 and an unfinished run goes on at the next
    start. SIGHUP reads the methods again.
    """
    if record is not None:
        record.mkdir(parents=True, exist_ok=True, mode=0o700)
    from greystep.daemon.options import ServiceOptions
    from greystep.daemon.service import serve as run

    options = ServiceOptions(
        workers=workers,
        observer=observer,  # type: ignore[arg-type]
        once=once,
        terminal=not quiet,
        notify_command=tuple(shlex.split(notify)),
        record=record,
    )
    return run(chosen_home(home_dir), options)
