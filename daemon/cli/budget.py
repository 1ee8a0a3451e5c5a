"""`greystep budget`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from .choosing import chosen, open_catalogue
from .completing import METHOD, QUANTITY, RUN
from .ending import DONE, FLAGGED, debug_option, home_option, told
from .numbers import figure_text, screen_unit
from .shown import chosen_home, format_option, show

if TYPE_CHECKING:
    from collections.abc import Sequence

    from greystep.schema.figure import Component
    from greystep.schema.measurement import Measurement

COLUMNS = ["cause", "u", "unit", "share", "type", "distribution", "dof", "shared"]


@click.command(epilog="Example: greystep budget latest 0 255 --quantity overshoot --method duration-10-90")
@click.argument("run", shell_complete=RUN)
@click.argument("from_level", type=int, required=False)
@click.argument("to_level", type=int, required=False)
@click.option(
    "--quantity", metavar="NAME", shell_complete=QUANTITY, help="Default: transition_duration, or its mean without levels."
)
@click.option("--method", metavar="ID", shell_complete=METHOD, help="Default: the house method.")
@click.option("--refresh", type=float, multiple=True, metavar="HZ", help="Only this refresh rate.")
@click.option("--overdrive", multiple=True, metavar="MODE", help="Only this overdrive mode.")
@format_option
@home_option
@debug_option
@told
def budget(
    run: str,
    from_level: int | None,
    to_level: int | None,
    quantity: str | None,
    method: str | None,
    refresh: tuple[float, ...],
    overdrive: tuple[str, ...],
    form: str,
    home_dir: str | None,
    debug: bool,
) -> int:
    """Show how the uncertainty of a figure of RUN comes about: every cause with its share (GUM 5.1, G.4).

    With two levels: of this transition. With one: of this held level. Without: of the whole condition. Exit code 3: the figure
    is flagged or a bound.
    """
    from greystep.schema.errors import GreystepError

    home = chosen_home(home_dir)
    whole = from_level is None
    to_level = from_level if to_level is None else to_level
    name = quantity or ("transition_duration_mean" if whole else "transition_duration")
    with open_catalogue(home) as catalogue:
        where = chosen(
            catalogue,
            (),
            (run,),
            refresh,
            overdrive,
            method=(method or home.bench()[0].house_method,),
            quantity=(name,),
            scope="group" if whole else "",
        )
        found = [
            m
            for m in catalogue.results(where)
            if whole or (m.figure.to_level == to_level and m.figure.from_level in (from_level, None))
        ]
        if not found:
            place = "the whole condition" if whole else f"{from_level} to {to_level}"
            todo = "'greystep results RUN' lists what there is"
            raise GreystepError(f"no figure {name!r} of {place} under {where.method[0]!r}", todo=todo)
        titles = {c["condition"]: c["title"] for c in catalogue.conditions()}
        lines = [(m, catalogue.budget(m)[0]) for m in found]
    if form == "table":
        for m, components in lines:
            click.echo(_heading(m, titles.get(m.condition, m.condition)))
            show(_shown(m, components), COLUMNS, form, empty="no budget")
    else:
        show([row for m, components in lines for row in _plain(m, components)], ["run", "group", "quantity", "cause"], form)
    return FLAGGED if any(m.figure.flags or m.figure.bound or not m.figure.measurable for m in found) else DONE


def _heading(m: Measurement, condition: str) -> str:
    f = m.figure
    levels = "" if f.from_level is None else f" {f.from_level} to {f.to_level}"
    text = f"{f.quantity}{levels}, {condition}, {m.method}: {figure_text(f, m.expanded_uncertainty)} (95 %)"
    if m.u > 0:
        text += f", k = {m.expanded_uncertainty / m.u:.3g}, {m.dof:.3g} degrees of freedom"
    notes = [*f.flags, *([f.reason] if f.reason else [])]
    return text + (f"\n{', '.join(notes)}" if notes else "")


def _shares(components: Sequence[Component]) -> list[tuple[Component, float]]:
    """Components with their share of the sum of all squares in %, the greatest first. Shared causes were added with their
    signs before they were squared, so that the shares are a guide where causes are shared."""
    total = math.fsum(c.effect**2 for c in components) or 1.0
    return [(c, 100 * c.effect**2 / total) for c in sorted(components, key=lambda c: -abs(c.effect))]


def _shown(m: Measurement, components: Sequence[Component]) -> list[dict[str, Any]]:
    factor, unit = screen_unit(m.figure.quantity, m.figure.unit)
    return [
        {
            "cause": c.name,
            "u": f"{abs(c.effect) * factor:.2g}" if share > 1e-9 else "0",
            "unit": unit,
            "share": f"{share:.1f} %",
            "type": c.kind,
            "distribution": c.distribution,
            "dof": f"{c.dof:.3g}" if math.isfinite(c.dof) else "∞",
            "shared": c.shared,
        }
        for c, share in _shares(components)
    ]


def _plain(m: Measurement, components: Sequence[Component]) -> list[dict[str, Any]]:
    """In SI units, for CSV and JSON."""
    f = m.figure
    head: dict[str, Any] = {"run": m.run, "group": m.group, "condition": m.condition, "method": m.method}
    head |= {"fingerprint": m.fingerprint, "quantity": f.quantity, "from_level": f.from_level, "to_level": f.to_level}
    return [
        {
            **head,
            "cause": c.name,
            "effect": c.effect,
            "unit": f.unit,
            "share_percent": share,
            "type": c.kind,
            "distribution": c.distribution,
            "dof": c.dof if math.isfinite(c.dof) else None,
            "shared": c.shared,
        }
        for c, share in _shares(components)
    ]
