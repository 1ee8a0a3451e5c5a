"""`greystep budget`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

from .choosing import choosing_options, chosen, open_catalogue
from .ending import DONE, debug_option, home_option, told
from .shown import chosen_home, format_option, show

if TYPE_CHECKING:
    from greystep.schema.measurement import Measurement


@click.command(epilog="Example: greystep budget --dut viewer --method band-first-entry --from 0 --to 255")
@click.option("--method", metavar="ID", help="Method (default: the house method).")
@click.option("--quantity", default="transition_duration", show_default=True)
@click.option("--from", "from_level", type=int, help="Start level.")
@click.option("--to", "to_level", type=int, help="End level.")
@choosing_options
@format_option
@home_option
@debug_option
@told
def budget(
    method: str | None,
    quantity: str,
    from_level: int | None,
    to_level: int | None,
    duts: tuple[str, ...],
    runs: tuple[str, ...],
    refresh: tuple[float, ...],
    overdrive: tuple[str, ...],
    form: str,
    home_dir: str | None,
    debug: bool,
) -> int:
    """Show the uncertainty budget of a measurement, line by line (GUM): what causes how much, and how well that is known."""
    from greystep.schema.errors import GreystepError

    home = chosen_home(home_dir)
    with open_catalogue(home) as catalogue:
        where = chosen(
            catalogue, duts, runs, refresh, overdrive, method=(method or home.bench()[0].house_method,), quantity=(quantity,)
        )
        found = [
            catalogue.with_budget(m)
            for m in catalogue.results(where)
            if (from_level is None or m.figure.from_level == from_level) and (to_level is None or m.figure.to_level == to_level)
        ]
    if not found:
        raise GreystepError("no such measurement", todo="'greystep results' lists what there is")
    if form != "table":
        show([row for m in found for row in _lines(m)], COLUMNS, form)
        return DONE
    for m in found:
        f = m.figure
        levels = f"{f.from_level} to {f.to_level}, " if f.from_level is not None else ""
        click.echo(f"{m.dut}, {m.run} {m.group}, {levels}{f.quantity}, {m.method} {m.fingerprint[:12]}")
        click.echo(f"  {f.bound}{f.value:.6g} {f.unit}, U95 {m.expanded_uncertainty:.3g}, {f.repeats} repeats")
        click.echo(f"  u {m.u:.3g}, dof {_dof(m.dof)}")
        if f.reason or f.flags:
            click.echo(f"  {f.reason} {' '.join(f.flags)}".rstrip())
        show(_lines(m), ["cause", "type", "contribution", "share_percent", "dof", "shared"], "table", empty="  no budget")
        click.echo("")
    return DONE


COLUMNS = ["dut", "run", "group", "from_level", "to_level", "quantity", "cause", "type", "contribution", "dof", "shared"]


def _lines(m: Measurement) -> list[dict[str, object]]:
    f = m.figure
    total = m.u**2 if m.u else math.nan
    lines: list[dict[str, object]] = [
        {
            "dut": m.dut,
            "run": m.run,
            "group": m.group,
            "from_level": f.from_level,
            "to_level": f.to_level,
            "quantity": f.quantity,
            "cause": c.name,
            "type": c.kind,
            "contribution": c.effect,
            "share_percent": f"{100 * c.effect**2 / total:.1f}" if math.isfinite(total) else "",
            "dof": _dof(c.dof),
            "shared": c.shared,
            "distribution": c.distribution,
        }
        for c in f.budget
    ]
    return sorted(lines, key=lambda row: -abs(float(str(row["contribution"]))))


def _dof(dof: float) -> str:
    return f"{dof:.3g}" if math.isfinite(dof) else "infinite"
