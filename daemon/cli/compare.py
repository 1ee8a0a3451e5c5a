"""`greystep compare`."""

from __future__ import annotations

import click

from .choosing import choosing_options, chosen, open_catalogue
from .ending import DONE, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, format_option, show


@click.command(epilog="Example: greystep compare --refresh 60")
@click.argument("displays", nargs=-1)
@click.option("--method", metavar="ID", help="Method of the ranking (default: the house method).")
@click.option("--quantity", default="transition_duration_mean", show_default=True, help="Figure of the whole condition.")
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
    from greystep.schema.quantities import QUANTITIES

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
        q = QUANTITIES.get(quantity)
        factor, unit = (q.display_factor, q.display_unit or q.unit) if q else (1.0, made.places[0].standing.unit)
        rows = [
            {
                "rank": p.rank,
                "display": p.standing.title,
                "condition": p.standing.condition_title,
                f"value_{unit}": f"{p.standing.bound}{p.standing.value * factor:.4g}",
                f"U95_{unit}": f"{p.standing.expanded_uncertainty * factor:.2g}",
                "compared_with_the_first": p.words,
            }
            for p in made.places
        ]
        show(rows, list(rows[0]), form)
        click.echo(made.rule)
    else:
        show(made.rows(), list(made.rows()[0]), form)
    for text in made.mixed:
        click.echo(f"mixed: {text}", err=True)
    return FLAGGED if any(p.standing.flags for p in made.places) else DONE
