"""Tables on the terminal, and the same rows as CSV or JSON."""

from __future__ import annotations

import csv
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from greystep.daemon.home import Home

Rows = Sequence[Mapping[str, Any]]
_LEAST_LAST = 14
"""Letters that the last column of a table needs at least, such as the flags."""


def format_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--format`."""
    choice = click.Choice(["table", "csv", "json"])
    return click.option("--format", "form", type=choice, default="table", show_default=True, help="How to print.")(command)


def chosen_home(given: str | None) -> Home:
    """The home of `--home` after the command, else before it, else the default."""
    from greystep.daemon.home import Home

    return Home.find(given or click.get_current_context().find_root().obj)


def on_terminal() -> bool:
    """Whether standard output is a terminal: then tables are drawn, else they are plain text."""
    return sys.stdout.isatty()


def show(rows: Rows, columns: Sequence[str], form: str, *, title: str = "", empty: str = "nothing to show") -> None:
    """Print rows.

    Args:
        rows: values by column; more keys than the columns are kept for CSV and JSON.
        columns: shown in the table, in this order.
        form: table, csv or json.
        title: above the table, on a terminal.
        empty: said instead of an empty table.
    """
    if form == "json":
        click.echo(json.dumps([dict(r) for r in rows], indent=1, ensure_ascii=False, default=str))
    elif form == "csv":
        names = list(dict.fromkeys([*columns, *(k for r in rows for k in r)]))
        writer = csv.DictWriter(sys.stdout, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows({k: v if isinstance(v, float) else _cell(v, ";") for k, v in r.items()} for r in rows)
    elif not rows:
        click.echo(empty)
    elif on_terminal():
        _rich(rows, _unlike(rows, columns), title)
    else:
        _plain(rows, columns)


@contextmanager
def counted(what: str, total: int | None = None) -> Iterator[Callable[[int], None]]:
    """Gives a function to be told how many are done: a bar with the time left on a terminal, nothing when piped."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)


def _unlike(rows: Rows, columns: Sequence[str]) -> list[str]:
    """Say once what is the same in every row of a longer table, and leave its columns out: the rest then fits the width."""
    if len(rows) < 3:
        return list(columns)
    same = {c: _cell(rows[0].get(c)) for c in columns if len({_cell(r.get(c)) for r in rows}) == 1}
    told = [f"{c.replace('_', ' ')}: {text}" for c, text in same.items() if text]
    if told:
        click.echo(printable(", ".join(told)))
    return [c for c in columns if c not in same] or list(columns[:1])


def printable(text: str) -> str:
    """Text from elsewhere, such as a file's name, without what would steer a terminal or hide letters."""
    return text if text.isprintable() else "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def _cell(value: Any, joint: str = ", ") -> str:
    if value is None:
        return ""
    if isinstance(value, (list, tuple)):
        return joint.join(str(v) for v in value)
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _plain(rows: Rows, columns: Sequence[str]) -> None:
    cells = [[printable(_cell(r.get(c))) for c in columns] for r in rows]
    widths = [max(len(c), *(len(row[i]) for row in cells)) for i, c in enumerate(columns)]
    for line in [list(columns), *cells]:
        click.echo("  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip())


def _rich(rows: Rows, columns: Sequence[str], title: str) -> None:
    from rich.console import Console

    console = Console()
    console.print(drawn_table(rows, columns, title, console.width))


def drawn_table(rows: Rows, columns: Sequence[str], title: str = "", width: int = 0) -> Any:
    """A table for a terminal: numbers to the right, long words folded so that it fits the width.

    Args:
        rows: values by column.
        columns: in this order.
        title: above it.
        width: of the terminal; where all columns but the last fit into it, only the last one is folded. 0: not known.
    """
    from rich.markup import escape
    from rich.table import Table

    bold = "" if os.environ.get("NO_COLOR") else "bold"
    table = Table(title=title or None, title_justify="left", header_style=bold, box=None, pad_edge=False)
    wide = sum(2 + max(len(c), *(len(_cell(r.get(c))) for r in rows)) for c in columns[:-1])
    whole = wide + _LEAST_LAST <= width
    for column in columns:
        numeric = all(isinstance(r.get(column), (int, float, type(None))) for r in rows)
        kept = whole and column != columns[-1]
        justify = "right" if numeric else "left"
        table.add_column(column.replace("_", " "), justify=justify, overflow="fold", no_wrap=kept)  # type: ignore[arg-type]
    for row in rows:
        table.add_row(*(escape(printable(_cell(row.get(c)))) for c in columns))
    return table
