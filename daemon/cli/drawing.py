"""A run in a few lines of text: the matrix of transition durations of each condition, and the light of its widest step."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

from .numbers import MISSING, screen_unit

if TYPE_CHECKING:
    from greystep.daemon.catalogue import Catalogue
    from greystep.daemon.catalogue.entries import CaptureEntry, Filter
    from greystep.daemon.home import Home
    from greystep.schema.measurement import Measurement

DURATION = "transition_duration"
_BARS = "▁▂▃▄▅▆▇█"


def draw_run(home: Home, catalogue: Catalogue, where: Filter, width: int = 0) -> None:
    """Print the matrices and sparklines of the runs of a filter.

    Args:
        home: holds the raw files and names the house method.
        catalogue: tells the figures.
        where: which runs and conditions; its first method is drawn, or the house method.
        width: columns of a sparkline; 0: the terminal's.
    """
    from dataclasses import replace
    from shutil import get_terminal_size

    method = where.method[0] if where.method else home.bench()[0].house_method
    titles = {c["condition"]: c["title"] for c in catalogue.conditions()}
    drawn = replace(where, method=(method,), quantity=(DURATION,), scope="capture")
    for group in catalogue.groups(replace(where, method=(), quantity=())):
        found = [
            m
            for m in catalogue.results(replace(drawn, run=(group.run,), group=(group.group,)))
            if m.figure.to_level is not None
        ]
        click.echo(f"{titles.get(group.condition, group.condition)}: {DURATION.replace('_', ' ')} in ms, {method}")
        for line in matrix(found) or ["no figures"]:
            click.echo(line)
        steps = [c for c in catalogue.group_captures(group.row) if c.kind == "step" and not c.reason]
        if steps:
            widest = max(steps, key=lambda c: c.to_level - c.from_level)
            line = sparkline(home, widest, (width or get_terminal_size().columns) - 12)
            click.echo(f"{widest.from_level:>3} to {widest.to_level:<3} {line}\n")


def matrix(found: list[Measurement]) -> list[str]:
    """From-levels down, to-levels across; several figures of one transition are not mixed: the last one stands."""
    cells: dict[tuple[int, int], str] = {}
    for m in found:
        f = m.figure
        factor, _ = screen_unit(f.quantity, f.unit)
        number = f"{f.bound}{f.value * factor:.3g}" if math.isfinite(f.value) else MISSING
        if f.from_level is not None and f.to_level is not None:
            cells[f.from_level, f.to_level] = number + ("*" if f.flags else "")
    levels = sorted({level for pair in cells for level in pair})
    if not levels:
        return []
    size = max(6, *(len(c) + 1 for c in cells.values()))
    head = f"{'from':>6} to" + "".join(f"{level:>{size}}" for level in levels)
    rows = [f"{a:>6}   " + "".join(f"{cells.get((a, b), ''):>{size}}" for b in levels) for a in levels]
    flagged = any(c.endswith("*") for c in cells.values())
    return [head, *rows, *(["     * flagged; the table says why"] if flagged else [])]


def sparkline(home: Home, entry: CaptureEntry, width: int) -> str:
    """The mean light of all rising records of a capture, as bars; empty when it can't be read."""
    import numpy as np
    from greystep.daemon.archive.archive import Archive
    from greystep.schema.errors import GreystepError

    try:
        capture = Archive(home.raw).read(entry.path, ("light",))
    except GreystepError:
        return ""
    rising = (capture.to_level > capture.from_level) & (capture.flags == 0)
    codes = capture.channels["light"].codes[rising if rising.any() else slice(None)]
    trace = np.asarray(codes, np.float64).mean(axis=0)
    pieces = [p.mean() for p in np.array_split(trace, max(8, min(width, 100, len(trace))))]
    return bars([float(p) for p in pieces])


def bars(values: list[float]) -> str:
    """One block a value, from the lowest to the highest."""
    low, high = min(values), max(values)
    span = (high - low) or 1.0
    return "".join(_BARS[min(len(_BARS) - 1, int((v - low) / span * len(_BARS)))] for v in values)
