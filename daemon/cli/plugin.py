"""`greystep plugin`."""

from __future__ import annotations

import click

from .ending import DONE, debug_option, told


@click.group(epilog="Example: greystep plugin new my-scope --role digitiser")
def plugin() -> None:
    """Start a plugin of your own. `greystep plugins` lists those that are installed."""


@plugin.command(epilog="Example: greystep plugin new my-scope --role digitiser")
@click.argument("name")
@click.option(
    "--role",
    type=click.Choice(["digitiser", "pattern", "luminance", "power", "temperature"]),
    help="A driver for this role of the bench.",
)
@click.option("--method", is_flag=True, help="A method with an estimator of its own.")
@click.option("--into", default=".", show_default=True, metavar="DIR", help="Folder in which the package's folder is made.")
@debug_option
@told
def new(name: str, role: str | None, method: bool, into: str, debug: bool) -> int:
    """Make the package NAME: installable, with a working example, its tests and README."""
    from pathlib import Path

    from greystep.daemon.scaffold import make_package

    if (role is None) is not method:
        raise click.UsageError("choose one of --role ROLE and --method")
    files = make_package(name, role or "method", Path(into))
    for path in files:
        click.echo(path)
    click.echo(f"Next: pip install -e {Path(into) / name} && greystep plugins && python -m pytest {Path(into) / name}")
    return DONE
