"""`greystep results`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .choosing import choosing_options, chosen, open_catalogue
from .completing import METHOD, QUANTITY, RUN
from .ending import DONE, WRONG_USE, debug_option, home_option, told
from .shown import chosen_home, on_terminal, show

if TYPE_CHECKING:
    from greystep.daemon.catalogue import Catalogue
    from greystep.daemon.catalogue.entries import Filter
    from greystep.daemon.home import Home

_APART = 3
"""Rows a display and condition from which on it gets a table of its own."""


@click.command(epilog="Example: greystep results --quantity transition_duration --format csv --output durations.csv")
@click.argument("run", required=False, shell_complete=RUN)
@click.option("--method", "methods", multiple=True, metavar="ID", shell_complete=METHOD, help="Only this method.")
@click.option(
    "--quantity",
    "quantities",
    multiple=True,
    metavar="NAME",
    shell_complete=QUANTITY,
    help="Only this quantity, such as overshoot.",
)
@click.option("--fingerprint", "prints", multiple=True, metavar="DIGITS", help="Only this fingerprint (6 digits at least).")
@click.option("--scope", type=click.Choice(["all", "capture", "group"]), help="Figures of single captures or whole conditions.")
@click.option("--all", "everything", is_flag=True, help="Also figures under older fingerprints.")
@choosing_options
@click.option("--format", "form", type=click.Choice(["table", "csv", "json", "parquet"]), default="table", show_default=True)
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="Write to this file (complete or not at all).")
@home_option
@debug_option
@told
def results(
    run: str | None,
    methods: tuple[str, ...],
    quantities: tuple[str, ...],
    prints: tuple[str, ...],
    scope: str | None,
    everything: bool,
    duts: tuple[str, ...],
    runs: tuple[str, ...],
    refresh: tuple[float, ...],
    overdrive: tuple[str, ...],
    form: str,
    output: Path | None,
    home_dir: str | None,
    debug: bool,
) -> int:
    """Show or export measurements, of RUN or of the whole archive.

    The table of the whole archive shows figures of whole conditions, where there are any; name a RUN, or use --scope all, for
    every transition. CSV, JSON and Parquet always hold everything that was asked for, in SI units. With RUN on a terminal, the
    matrix of transition durations and the light of the widest step stand in front.

    How an uncertainty comes about, line by line: greystep budget RUN FROM TO.
    """
    if form == "parquet" and output is None:
        click.echo("--format parquet needs --output FILE", err=True)
        return WRONG_USE
    home = chosen_home(home_dir)
    given = (*runs, run) if run else runs
    wanted = scope or ("all" if form != "table" or given else "group")
    with open_catalogue(home) as catalogue:
        _know(catalogue, methods, quantities)
        where = chosen(
            catalogue,
            duts,
            given,
            refresh,
            overdrive,
            method=methods,
            quantity=quantities,
            fingerprint=prints,
            scope="" if wanted == "all" else wanted,
            current=not everything,
        )
        if form == "table" and output is None:
            _table(home, catalogue, where, bool(run), may_widen=scope is None)
            return DONE
        return _export(catalogue, where, "csv" if form == "table" else form, output)


def _know(catalogue: Catalogue, methods: tuple[str, ...], quantities: tuple[str, ...]) -> None:
    """Raise GreystepError for names that nothing bears, with the near ones."""
    from difflib import get_close_matches

    from greystep.schema.errors import GreystepError
    from greystep.schema.quantities import QUANTITIES

    known_methods = {m.id for m in catalogue.methods()}
    for what, given, known in (("method", methods, known_methods), ("quantity", quantities, set(QUANTITIES))):
        for name in given:
            if name in known or (what == "quantity" and "." in name):
                continue
            near = get_close_matches(name, sorted(known))
            hint = f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(sorted(known)) or 'none'}"
            raise GreystepError(f"no figures of the {what} {name!r}", todo=hint)


def _table(home: Home, catalogue: Catalogue, where: Filter, drawn: bool, may_widen: bool) -> None:
    if drawn and on_terminal():
        from .drawing import draw_run

        draw_run(home, catalogue, where)
    titles = {d["dut"]: d["title"] for d in catalogue.duts()}
    conditions = {c["condition"]: c["title"] for c in catalogue.conditions()}
    found = catalogue.results(where)
    if not found and may_widen and where.scope:
        found = catalogue.results(replace(where, scope=""))  # some methods have figures of single captures only
    columns = ["display", "condition", "method", "quantity", "from", "to", "value", "flags"]
    rows = [_row(m, titles, conditions) for m in found]
    if len({m.run for m in found}) > len({m.dut for m in found}):  # several runs of a display: say which is which
        columns.insert(1, "run")
    groups = dict.fromkeys((r["display"], r["condition"]) for r in rows)
    if on_terminal() and len(rows) >= _APART * len(groups) > 0:  # each under its own heading: the rest then fits the width
        for i, group in enumerate(groups):
            if i:
                click.echo()
            show([r for r in rows if (r["display"], r["condition"]) == group], columns, "table")
        return
    show(rows, columns, "table", empty="" if found else _nothing(catalogue, where))


def _nothing(catalogue: Catalogue, where: Filter) -> str:
    """Why there may be no figures."""
    hint = "'greystep recompute --dry-run' says whether some are still to be computed"
    if len(where.method) != 1:
        return f"no measurements fit; {hint}"
    from greystep.daemon.host import PluginHost

    estimators = PluginHost.load().estimators
    used = {str(m.record.get("estimator")) for m in catalogue.methods() if m.id == where.method[0] and m.current}
    kinds = sorted({kind for name in used if name in estimators for kind in estimators[name].kinds})
    needs = (
        f" It reads captures of the kind {' or '.join(kinds)}: 'greystep plan new' shows what a plan says to take them;"
        if kinds
        else ""
    )
    return f"no measurements under {where.method[0]!r} fit.{needs} {hint}"


def _row(m: Any, titles: dict[str, str], conditions: dict[str, str]) -> dict[str, Any]:
    from .numbers import figure_text

    f = m.figure
    return {
        "display": titles.get(m.dut, m.dut),
        "run": m.run,
        "condition": conditions.get(m.condition, m.condition),
        "method": m.method,
        "quantity": f.quantity,
        "from": f.from_level,
        "to": f.to_level,
        "value": figure_text(f, m.expanded_uncertainty),
        "flags": [*f.flags, *([f.reason] if f.reason and not f.measurable else [])],
    }


def _export(catalogue: Catalogue, where: Filter, form: str, output: Path | None) -> int:
    from . import export

    if form == "parquet":
        from greystep.daemon.catalogue.export import write_parquet

        assert output is not None
        rows = write_parquet(catalogue, output, where)
    else:
        rows = export.write(catalogue.each_row(where), form, output)
    if output is not None:
        click.echo(f"{rows} measurements in {output}", err=True)
    return DONE
