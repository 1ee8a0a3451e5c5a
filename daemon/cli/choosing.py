"""Options that choose measurements, shared by the commands that read them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from .completing import DUT, RUN

if TYPE_CHECKING:
    from greystep.daemon.catalogue import Catalogue
    from greystep.daemon.catalogue.entries import Filter
    from greystep.daemon.home import Home


def choosing_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--dut --run --refresh --overdrive`."""
    for option in (
        click.option("--overdrive", multiple=True, metavar="MODE", help="Only this overdrive mode."),
        click.option("--refresh", type=float, multiple=True, metavar="HZ", help="Only this refresh rate."),
        click.option(
            "--run",
            "runs",
            multiple=True,
            metavar="RUN",
            shell_complete=RUN,
            help="Only this run (id or its first characters).",
        ),
        click.option(
            "--dut",
            "duts",
            multiple=True,
            metavar="DUT",
            shell_complete=DUT,
            help="Only displays with this id, or these words in it.",
        ),
    ):
        command = option(command)
    return command


def open_catalogue(home: Home, *, write: bool = False) -> Catalogue:
    """The catalogue. Raises GreystepError when there is none yet."""
    from greystep.daemon.catalogue import Catalogue
    from greystep.schema.errors import GreystepError

    home.require()
    if not write and not home.catalogue.exists():
        raise GreystepError(
            "no catalogue yet", where=str(home.root), todo="'greystep archive rebuild' makes one from the raw files"
        )
    return Catalogue(home.catalogue, write=write)


def chosen(
    catalogue: Catalogue,
    duts: tuple[str, ...] = (),
    runs: tuple[str, ...] = (),
    refresh: tuple[float, ...] = (),
    overdrive: tuple[str, ...] = (),
    **more: Any,
) -> Filter:
    """The filter of the options. Raises GreystepError for a display or run that is not there."""
    from greystep.daemon.catalogue.entries import Filter

    known_runs = [str(r["run"]) for r in catalogue.runs()]
    known_duts = {str(d["dut"]): str(d.get("title", "")) for d in catalogue.duts()}
    return Filter(
        dut=tuple(d for word in duts for d in _displays(word, known_duts)),
        run=tuple(r for word in runs for r in _runs(word, known_runs)),
        refresh_rate_hz=refresh,
        overdrive=overdrive,
        **more,
    )


def _displays(word: str, known: dict[str, str]) -> list[str]:
    from greystep.schema.errors import GreystepError

    found = [word] if word in known else [d for d, title in known.items() if word.lower() in f"{d} {title}".lower()]
    if not found:
        raise GreystepError(f"no display {word!r}", todo=f"there are: {', '.join(known) or 'none'}")
    return found


def _runs(word: str, known: list[str]) -> list[str]:
    from greystep.schema.errors import GreystepError

    if word == "latest" and known:
        return [max(known)]
    found = [r for r in known if r.startswith(word)]
    if not found:
        raise GreystepError(f"no run {word!r} in the catalogue", todo="'greystep status' lists the runs")
    return found
