"""`greystep import`: traces recorded elsewhere become captures."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .ending import DONE, FLAGGED, debug_option, home_option, told

if TYPE_CHECKING:
    from greystep.daemon.home import Home


@click.command(
    "import",
    epilog="Example: greystep import traces/manifest.toml",
    short_help="Traces recorded elsewhere become captures.",
)
@click.argument("manifest", type=click.Path(path_type=Path))
@home_option
@debug_option
@told
def import_(manifest: Path, home_dir: str | None, debug: bool) -> int:
    """Import the traces that MANIFEST names: all of them as one run, or none.

    The manifest is a TOML file beside the traces; docs/no-wire.md shows one. Delimited text (also gzip), .npy and HDF5 are
    read. A second import of the same files is recognised and changes nothing (exit code 3). A bundle made by 'greystep archive
    bundle' (a folder or a zip file) is taken in with its own run.
    """
    from greystep.daemon.home import Home
    from greystep.daemon.host import PluginHost
    from greystep.daemon.importing.job import Tools, import_manifest
    from greystep.daemon.importing.software import versions
    from greystep.schema.ids import IdSource

    home = Home.find(home_dir or click.get_current_context().obj).create()
    if manifest.is_dir() or manifest.suffix == ".zip":
        return _bundle(manifest, home)
    with home.lock("import", "an import"):
        tools = Tools(PluginHost.load().importers, IdSource(), versions(), progress=_tell)
        done = import_manifest(manifest, home.raw, tools)
    if done.already:
        click.echo(f"already imported as run {done.run} of {done.dut}; nothing was written")
        return FLAGGED
    for remark in done.remarks:
        click.echo(f"not used: {remark}", err=True)
    click.echo(f"imported {len(done.captures)} captures as run {done.run} of {done.dut}")
    return FLAGGED if done.remarks else DONE


def _bundle(path: Path, home: Home) -> int:
    from greystep.daemon.bundle import import_bundle

    with home.lock("import", "an import"):
        done = import_bundle(path, home)
    if done.already:
        click.echo(f"run {done.run} of {done.dut} is here already; nothing was written")
        return FLAGGED
    for remark in done.remarks:
        click.echo(remark, err=True)
    click.echo(
        f"imported {done.captures} captures as run {done.run} of {done.dut}; 'greystep recompute' computes their figures"
    )
    if done.methods:
        click.echo(f"methods added to this home: {', '.join(done.methods)}")
    return FLAGGED if done.remarks else DONE


def _tell(text: str) -> None:
    """Progress, for a person only."""
    if sys.stderr.isatty():
        click.echo(text, err=True)
