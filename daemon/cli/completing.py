"""Names that the shell completes: runs, displays, methods and quantities of the home. Silent when it can't read them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

if TYPE_CHECKING:
    from greystep.daemon.catalogue import Catalogue
    from greystep.daemon.home import Home

Completing = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]
Named = Iterable[tuple[str, str]]


def _home(ctx: click.Context) -> Home:
    from greystep.daemon.home import Home

    return Home.find(ctx.params.get("home_dir") or ctx.find_root().params.get("home"))


def _from_catalogue(read: Callable[[Catalogue], Named]) -> Completing:
    """Complete with what `read` finds: (name, what it is)."""

    def complete(ctx: click.Context, parameter: click.Parameter, incomplete: str) -> list[CompletionItem]:
        from greystep.daemon.catalogue import Catalogue

        try:
            home = _home(ctx)
            if not home.catalogue.exists():
                return []
            with Catalogue(home.catalogue) as catalogue:
                found = list(read(catalogue))
        except Exception:  # a key press in a shell is no place for an error message
            return []
        return [CompletionItem(name, help=about) for name, about in found if name.startswith(incomplete)]

    return complete


def _runs(catalogue: Catalogue) -> Named:
    titles = {str(d["dut"]): str(d["title"]) for d in catalogue.duts()}
    known = [(str(r["run"]), titles.get(str(r["dut"]), "")) for r in catalogue.runs()]
    return [*known, *([("latest", "the newest run")] if known else [])]


def _quantities(ctx: click.Context, parameter: click.Parameter, incomplete: str) -> list[CompletionItem]:
    from greystep.schema.quantities import QUANTITIES

    return [CompletionItem(name) for name in QUANTITIES if name.startswith(incomplete)]


def _queued(ctx: click.Context, parameter: click.Parameter, incomplete: str) -> list[CompletionItem]:
    try:
        names = sorted((p.name for p in _home(ctx).runs.iterdir() if p.is_dir()), reverse=True)
    except OSError:
        return []
    return [CompletionItem(name) for name in names if name.startswith(incomplete)]


QUEUED: Completing = _queued
"""Runs of the service, whether they have captures or not."""
RUN = _from_catalogue(_runs)
"""Runs with captures."""
DUT = _from_catalogue(lambda c: [(str(d["dut"]), str(d["title"])) for d in c.duts()])
METHOD = _from_catalogue(lambda c: [(m.id, m.title) for m in c.methods() if m.current])
QUANTITY: Completing = _quantities
