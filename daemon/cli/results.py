"""`greystep results`."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .choosing import choosing_options, chosen, open_catalogue
from .ending import DONE, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, show

if TYPE_CHECKING:
    from greystep.daemon.catalogue import Catalogue
    from greystep.daemon.catalogue.entries import Filter

COLUMNS = ["dut", "refresh_rate_hz", "overdrive", "from_level", "to_level", "quantity", "shown", "U95", "method", "flags"]


@click.command(epilog="Example: greystep results --method band-first-entry --format csv")
@click.argument("run", required=False)
@click.option("--method", "methods", multiple=True, metavar="ID", help="Only this method.")
@click.option("--quantity", "quantities", multiple=True, metavar="NAME", help="Only this quantity.")
@click.option("--fingerprint", "fingerprints", multiple=True, metavar="DIGITS", help="Only this fingerprint, also an old one.")
@click.option("--all", "all_", is_flag=True, help="Old fingerprints too.")
@choosing_options
@click.option("--format", "form", type=click.Choice(["table", "csv", "json", "parquet"]), default="table", show_default=True)
@click.option("--output", type=click.Path(path_type=Path), help="Write to this file; needed for parquet.")
@home_option
@debug_option
@told
def results(
    run: str | None,
    methods: tuple[str, ...],
    quantities: tuple[str, ...],
    fingerprints: tuple[str, ...],
    all_: bool,
    duts: tuple[str, ...],
    runs: tuple[str, ...],
    refresh: tuple[float, ...],
    overdrive: tuple[str, ...],
    form: str,
    output: Path | None,
    home_dir: str | None,
    debug: bool,
) -> int:
    """Show or export measurements, of RUN or of all: value, expanded uncertainty (95 %), method, fingerprint, flags.

    Values are SI in CSV, JSON and Parquet; the table shows customary units. With RUN, a from-to matrix comes first.
    """
    from greystep.schema.errors import GreystepError

    with open_catalogue(chosen_home(home_dir)) as catalogue:
        where = chosen(
            catalogue,
            duts,
            (*runs, *((run,) if run else ())),
            refresh,
            overdrive,
            method=methods,
            quantity=quantities,
            fingerprint=fingerprints,
            current=not all_,
        )
        if form == "parquet":
            if output is None:
                raise GreystepError("parquet needs a file", todo="add --output measurements.parquet")
            from greystep.daemon.catalogue.export import write_parquet

            click.echo(f"{write_parquet(catalogue, output, where)} measurements written to {output}")
            return DONE
        rows = measurement_rows(catalogue, where)
    if output is not None:
        _write(rows, form, output)
        click.echo(f"{len(rows)} measurements written to {output}")
        return DONE
    if form == "table":
        if run:
            _matrices(rows)
        rows = [row | {"shown": _shown(row, "value"), "U95": _shown(row, "expanded_uncertainty")} for row in rows]
    show(rows, COLUMNS if form == "table" else list(rows[0]) if rows else COLUMNS, form, empty="no measurements")
    return DONE if rows else FLAGGED


def measurement_rows(catalogue: Catalogue, where: Filter) -> list[dict[str, Any]]:
    """A plain row a measurement; flags as a list."""
    columns = catalogue.columns(where)
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    for row in rows:
        row["flags"] = (row["flags"] or "").split()
    return rows


def _shown(row: dict[str, Any], name: str) -> str:
    from greystep.schema.quantities import QUANTITIES

    value = row[name]
    if value is None:
        return row.get("reason", "") if name == "value" else ""
    q = QUANTITIES.get(row["quantity"])
    factor, unit = (q.display_factor, q.display_unit or q.unit) if q else (1.0, row["unit"])
    bound = row["bound"] if name == "value" else ""
    return f"{bound}{value * factor:.4g} {unit}" if name == "value" else f"{value * factor:.2g}"


def _write(rows: list[dict[str, Any]], form: str, output: Path) -> None:
    from contextlib import redirect_stdout

    from greystep.schema.errors import GreystepError

    try:
        with output.open("w", encoding="utf-8") as stream:
            if form == "json":
                json.dump(rows, stream, indent=1, ensure_ascii=False)
            else:
                with redirect_stdout(stream):
                    show(rows, list(rows[0]) if rows else COLUMNS, "csv")
    except OSError as exc:
        raise GreystepError(f"can't be written: {exc.strerror}", where=str(output)) from exc


def _matrices(rows: list[dict[str, Any]]) -> None:
    """Transition durations from level (down) to level (across), a matrix a method and condition."""
    groups: dict[tuple[Any, ...], dict[tuple[int, int], dict[str, Any]]] = {}
    for row in rows:
        if row["quantity"] == "transition_duration" and row["from_level"] is not None:
            key = (row["method"], row["refresh_rate_hz"], row["overdrive"])
            groups.setdefault(key, {})[row["from_level"], row["to_level"]] = row
    for (method, rate, overdrive), cells in groups.items():
        levels = sorted({level for pair in cells for level in pair})
        click.echo(f"transition duration in ms, {method}, {rate:g} Hz, overdrive {overdrive} (from down, to across)")
        table = [
            {"from": str(a)}
            | {str(b): _shown(cells[a, b], "value").removesuffix(" ms") if (a, b) in cells else "" for b in levels}
            for a in levels
        ]
        show(table, ["from", *map(str, levels)], "table")
        click.echo("")
    sys.stdout.flush()
