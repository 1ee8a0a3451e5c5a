"""`greystep report`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from .completing import RUN
from .ending import DONE, FAILED, debug_option, home_option, told
from .shown import chosen_home

if TYPE_CHECKING:
    from greystep.daemon.home import Home


@click.command(epilog="Example: greystep report")
@click.argument("run", required=False, shell_complete=RUN)
@click.option("--figures", type=click.Path(path_type=Path), metavar="FOLDER", help="Write the charts of RUN as pictures here.")
@click.option("--form", type=click.Choice(["svg", "png", "pdf"]), default="svg", show_default=True, help="Of the pictures.")
@click.option("--theme", type=click.Choice(["light", "dark"]), default="light", show_default=True, help="Of the pictures.")
@click.option("--width", type=click.IntRange(200, 4000), default=800, show_default=True, help="Of the pictures, in pixels.")
@click.option(
    "--type-scale", type=click.FloatRange(0.5, 4), default=1.0, show_default=True, help="Larger type: 1.6 for a video."
)
@home_option
@debug_option
@told
def report(
    run: str | None,
    figures: Path | None,
    form: Literal["svg", "png", "pdf"],
    theme: str,
    width: int,
    type_scale: float,
    home_dir: str | None,
    debug: bool,
) -> int:
    """Write the static pages: of RUN (its id or first characters), or of all runs and the index. Reporters of plugins write
    their files too (HOME/reports/plugins/RUN).

    Exit code 1: a reporter failed; the pages and the others' files are there.

    With --figures the charts of RUN are written as pictures instead, for an article or a video.
    """
    from greystep.daemon.report import build_report

    from .choosing import chosen, open_catalogue

    home = chosen_home(home_dir)
    if run:
        with open_catalogue(home) as catalogue:
            run = chosen(catalogue, runs=(run,)).run[0]
    if figures is None:
        click.echo(str(build_report(home, run)))
        return _reported(home, run)
    if run is None:
        raise click.UsageError("--figures needs a RUN")
    from greystep.daemon.report.exported import export_figures

    for path in export_figures(home, run, figures, form, theme=theme, width=width, type_scale=type_scale):
        click.echo(str(path))
    return DONE


def _reported(home: Home, run: str | None) -> int:
    """Let the reporters write, for one run or for all."""
    from greystep.daemon.host import PluginHost
    from greystep.daemon.report.reporters import run_reporters

    from .choosing import open_catalogue

    host = PluginHost.load()
    if not host.reporters:
        return DONE
    with open_catalogue(home) as catalogue:
        runs = [run] if run else [str(r["run"]) for r in catalogue.runs()]
    problems = [f"{r}: {problem}" for r in runs for problem in run_reporters(home, host, r)]
    for problem in problems:
        click.echo(problem, err=True)
    return FAILED if problems else DONE
