"""`greystep report`."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from .ending import DONE, debug_option, home_option, told
from .shown import chosen_home


@click.command(epilog="Example: greystep report")
@click.argument("run", required=False)
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
    """Write the static pages: of RUN (its id or first characters), or of all runs and the index.

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
        return DONE
    if run is None:
        raise click.UsageError("--figures needs a RUN")
    from greystep.daemon.report.exported import export_figures

    for path in export_figures(home, run, figures, form, theme=theme, width=width, type_scale=type_scale):
        click.echo(str(path))
    return DONE
