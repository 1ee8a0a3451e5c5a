"""`greystep plugins`."""

from __future__ import annotations

import click

from .ending import DONE, FLAGGED, debug_option, told
from .shown import format_option, show


@click.command(epilog="Example: greystep plugins")
@format_option
@debug_option
@told
def plugins(form: str, debug: bool) -> int:
    """List the plugins with package, version and what they offer. Exit code 3: one could not be loaded."""
    from greystep.daemon.host import PluginHost

    host = PluginHost.load()
    offers: dict[str, list[str]] = {}
    for what, info in host.origins.items():
        offers.setdefault(info.name, []).append(what.replace("s:", " ", 1))
    rows = [
        {
            "plugin": p.name,
            "package": p.package,
            "version": p.version,
            "module": p.module,
            "state": "switched off" if p.failure else "loaded",
            "offers": [p.failure] if p.failure else offers.get(p.name, list(p.hooks)),
            "remarks": list(p.remarks),
        }
        for p in host.plugins
    ]
    show(
        rows,
        ["plugin", "package", "version", "state", "offers", *(["remarks"] if any(p.remarks for p in host.plugins) else [])],
        form,
    )
    return FLAGGED if host.failures else DONE
