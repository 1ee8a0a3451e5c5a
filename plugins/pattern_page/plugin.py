"""Offers the driver. The web server is loaded when a page is opened, not before."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from greystep.schema.hooks import hookimpl
from greystep.schema.roles import DialogueSink, DriverSpec

from .settings import PageSettings


def _open(settings: PageSettings, dialogue: DialogueSink) -> Any:
    from .driver import PatternPage

    return PatternPage.open(settings, dialogue)


@hookimpl
def greystep_drivers() -> Sequence[DriverSpec]:
    """The pattern page."""
    summary = "levels on a page in the browser of the display itself; no sync output: trigger on the light"
    return [DriverSpec("pattern-page", "pattern", summary, PageSettings, _open)]
