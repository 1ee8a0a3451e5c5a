"""`greystep archive`."""

from __future__ import annotations

import random
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .completing import RUN
from .ending import DONE, FAILED, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, counted, format_option, show

if TYPE_CHECKING:
    from greystep.daemon.archive.fixity import Verdict
    from greystep.daemon.home import Home


@click.group(epilog="Example: greystep archive verify")
def archive() -> None:
    """Verify, rebuild and hand on the raw archive."""


@archive.command(epilog="Example: greystep archive verify --sample 10")
@click.option("--sample", type=click.FloatRange(0.001, 100), metavar="PERCENT", help="Check a random part of the files only.")
@click.option("--workers", type=click.IntRange(1, 64), default=4, show_default=True, help="Files read at the same time.")
@format_option
@home_option
@debug_option
@told
def verify(sample: float | None, workers: int, form: str, home_dir: str | None, debug: bool) -> int:
    """Check every capture: SHA-256 against the list, its own header, the checksum of each chunk.

    Damaged files are named with the part that is damaged. Exit code 1: something is damaged or missing.
    """
    home = chosen_home(home_dir).require()
    checked, bad = check_archive(home, sample, workers)
    notes = [v for v in checked if v.ok and v.problem]
    rows = [{"file": v.path, "verdict": "damaged" if not v.ok else "note", "problem": v.problem} for v in [*bad, *notes]]
    if form != "table" or rows:
        show(rows, ["file", "verdict", "problem"], form)
    click.echo(f"{len(checked)} captures checked, {len(bad)} damaged or missing", err=form != "table")
    return FAILED if bad else FLAGGED if notes else DONE


def check_archive(home: Home, sample: float | None, workers: int) -> tuple[list[Verdict], list[Verdict]]:
    """Verdicts of all files that were looked at, and of those that are damaged or missing."""
    from concurrent.futures import ThreadPoolExecutor

    from greystep.daemon.archive import sums
    from greystep.daemon.archive.archive import Archive
    from greystep.daemon.archive.fixity import Verdict
    from greystep.daemon.archive.fixity import verify as verify_file

    archive = Archive(home.raw)
    paths = list(archive.scan())
    present = set(paths)
    missing = [
        Verdict(f"{folder.parent.name}/{folder.name}/{name}", False, "is listed but not there" + _aside(home, folder, name))
        for folder in sorted({archive.file(p).parent for p in paths} | {p.parent for p in home.raw.glob(f"*/*/{sums.NAME}")})
        for name in sums.read(folder)
        if f"{folder.parent.name}/{folder.name}/{name}" not in present
    ]
    if sample is not None:
        paths = sorted(random.sample(paths, max(1, round(len(paths) * sample / 100)))) if paths else []
    listed = {folder: sums.read(folder) for folder in {archive.file(p).parent for p in paths}}

    def one(path: str) -> Verdict:
        file = archive.file(path)
        return verify_file(file, path, listed[file.parent].get(file.name))

    # Hashing leaves the interpreter's lock, so that threads are enough.
    with ThreadPoolExecutor(workers) as pool, counted("captures", len(paths)) as step:
        verdicts = []
        for verdict in pool.map(one, paths):
            verdicts.append(verdict)
            step(len(verdicts))
    return verdicts, [*(v for v in verdicts if not v.ok), *missing]


def _aside(home: Home, folder: Path, name: str) -> str:
    aside = home.quarantine / folder.parent.name / folder.name / name
    return f"; it was set aside in {aside}" if aside.exists() else ""


@archive.command(epilog="Example: greystep archive rebuild && greystep recompute")
@home_option
@debug_option
@told
def rebuild(home_dir: str | None, debug: bool) -> int:
    """Make the catalogue anew from the raw files alone. Measurements come back with 'greystep recompute'.

    The old catalogue is set aside, prepared traces are removed. Raw files are read, nothing else.
    """
    import shutil

    from greystep.daemon.analysis.indexing import rebuild as make
    from greystep.daemon.archive.archive import Archive

    home = chosen_home(home_dir).require()
    with home.lock(holder="a rebuild of the catalogue"), counted("captures") as step:
        found = make(Archive(home.raw), home.catalogue, step)
        shutil.rmtree(home.prepared, ignore_errors=True)
    click.echo(f"{found.new} captures in the new catalogue; 'greystep recompute' computes their figures")
    for problem in found.problems:
        click.echo(problem, err=True)
    return FLAGGED if found.problems else DONE


@archive.command(epilog="Example: greystep archive bundle 01m89k8mrj --output heron.zip")
@click.argument("run", shell_complete=RUN)
@click.option(
    "--output", type=click.Path(path_type=Path), metavar="FOLDER", help="Folder to make, or a name that ends in .zip."
)
@click.option("--licence", metavar="URL", help="Licence of the published data (default: CC BY 4.0).")
@home_option
@debug_option
@told
def bundle(run: str, output: Path | None, licence: str | None, home_dir: str | None, debug: bool) -> int:
    """Make an RO-Crate of RUN to publish: raw captures, measurements, methods, pictures, checksums.

    'greystep import' takes it in elsewhere, where 'greystep recompute' gives the same figures.
    """
    from greystep.daemon.bundle import bundle_run
    from greystep.daemon.bundle.bundle import LICENCE

    from .choosing import chosen, open_catalogue

    home = chosen_home(home_dir).require()
    with open_catalogue(home) as catalogue:
        name = chosen(catalogue, runs=(run,)).run[0]
    click.echo(str(bundle_run(home, name, output or Path(f"greystep-{name}"), licence=licence or LICENCE)))
    return DONE
