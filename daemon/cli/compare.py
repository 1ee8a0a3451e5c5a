"""`greystep compare`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from .choosing import choosing_options, chosen, open_catalogue
from .completing import DUT, METHOD, QUANTITY
from .ending import DONE, FLAGGED, debug_option, home_option, told
from .numbers import quantity_text
from .shown import chosen_home, format_option, show

if TYPE_CHECKING:
    from greystep.daemon.catalogue import Catalogue
    from greystep.daemon.compare import Place

PLACE_COLUMNS = ["rank", "display", "condition", "value", "compared_with_the_first", "flags"]


@click.command(epilog="Example: greystep compare --refresh 60")
@click.argument("displays", nargs=-1, shell_complete=DUT)
@click.option("--method", metavar="ID", shell_complete=METHOD, help="Method of the ranking (default: the house method).")
@click.option(
    "--quantity",
    shell_complete=QUANTITY,
    default="transition_duration_mean",
    show_default=True,
    help="Figure of the whole condition.",
)
@click.option("--mixed", is_flag=True, help="Rank different conditions or fingerprints together; marked as mixed.")
@click.option("--all-runs", is_flag=True, help="Every run instead of the latest of each display: before and after a change.")
@choosing_options
@format_option
@home_option
@debug_option
@told
def compare(
    displays: tuple[str, ...],
    method: str | None,
    quantity: str,
    mixed: bool,
    all_runs: bool,
    duts: tuple[str, ...],
    runs: tuple[str, ...],
    refresh: tuple[float, ...],
    overdrive: tuple[str, ...],
    form: str,
    home_dir: str | None,
    debug: bool,
) -> int:
    """Rank DISPLAYS (default: all) with uncertainty, and say in words which differences are real.

    Displays whose difference is not significant share a rank. Exit code 3: a ranked figure is flagged.
    """
    from greystep.daemon.compare import compare as ask

    home = chosen_home(home_dir)
    with open_catalogue(home) as catalogue:
        made = ask(
            catalogue,
            method=method or home.bench()[0].house_method,
            quantity=quantity,
            duts=(*displays, *duts),
            where=chosen(catalogue, (), runs, refresh, overdrive),
            mixed=mixed,
            all_runs=all_runs,
        )
    if form == "table":
        with open_catalogue(home) as catalogue:
            runs_of = _runs_in_words(catalogue) if all_runs else {}
        rows = [place_row(p, quantity) | {"run": runs_of.get(p.standing.run, "")} for p in made.places]
        show(rows, [*PLACE_COLUMNS[:3], "run", *PLACE_COLUMNS[3:]] if all_runs else PLACE_COLUMNS, form)
        click.echo(made.rule)
    else:
        show(made.rows(), list(made.rows()[0]), form)
    for text in made.mixed:
        click.echo(f"mixed: {text}", err=True)
    return FLAGGED if any(p.standing.flags for p in made.places) else DONE


def _runs_in_words(catalogue: Catalogue) -> dict[str, str]:
    """Firmware, hardware revision and day of each run: what differs between two runs of one display."""
    out = {}
    for r in catalogue.runs():
        dut = r["dut_record"]
        parts = [f"firmware {dut['firmware']}" if dut.get("firmware") else ""]
        parts += [f"hardware {dut['hardware_revision']}" if dut.get("hardware_revision") else "", r["started_utc"][:10]]
        out[r["run"]] = ", ".join(p for p in parts if p)
    return out


def place_row(place: Place, quantity: str) -> dict[str, Any]:
    """A line of a ranking for people; a shared rank bears an equals sign."""
    s = place.standing
    return {
        "rank": "" if place.rank is None else f"{place.rank}{'=' if place.shared else ''}",
        "display": s.title,
        "condition": s.condition_title,
        "value": quantity_text(quantity, s.unit, s.value, s.expanded_uncertainty, s.bound),
        "compared_with_the_first": place.words,
        "flags": [f for f in s.flags if f != "mixed"],
    }
