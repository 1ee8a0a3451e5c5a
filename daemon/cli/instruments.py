"""`greystep instruments`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from .ending import DONE, FAILED, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, format_option, show

if TYPE_CHECKING:
    from greystep.schema.roles import DriverSpec


@click.group(invoke_without_command=True, epilog="Example: greystep instruments check digitiser")
@click.pass_context
def instruments(ctx: click.Context) -> None:
    """Find instruments, check whether they keep their promises, list dialects."""
    if ctx.invoked_subcommand is None:
        ctx.invoke(list_)


@instruments.command("list", epilog="Example: greystep instruments list")
@format_option
@home_option
@debug_option
@told
def list_(form: str, home_dir: str | None, debug: bool) -> int:
    """Show the instruments of bench.toml with what they say of themselves, then what else can be found and what is missing."""
    from greystep.daemon.home import Home
    from greystep.daemon.host import PluginHost

    home: Home = chosen_home(home_dir)
    host = PluginHost.load()
    rows = _on_bench(home, host) if home.bench_file.exists() else []
    finders = {spec.find: None for spec in host.drivers.values() if spec.find is not None}
    found = [resource for find in finders for resource in find()]
    rows += [
        {"role": "", "resource": f.resource, "about": f.about, "missing": f"{f.missing} ({f.todo})" if f.todo else f.missing}
        for f in found
    ]
    show(rows, ["role", "resource", "about", "missing"], form, empty="no instruments found")
    return FLAGGED if any(r["role"] and r["missing"] for r in rows) else DONE


def _on_bench(home: Any, host: Any) -> list[dict[str, str]]:
    from greystep.daemon.run.rig import Dialogue, open_instrument
    from greystep.schema.errors import GreystepError

    bench, _ = home.bench()
    rows = []
    for role, entry in bench.instruments.items():
        row = {"role": role, "resource": str(entry.settings().get("resource", "")), "about": "", "missing": ""}
        try:
            instrument, _, _ = open_instrument(role, entry, home, host, Dialogue().note)
            row["about"] = instrument.identify()
            instrument.close()
        except GreystepError as exc:
            row["missing"] = str(exc)
        rows.append(row)
    return rows


@instruments.command(epilog="Example: greystep instruments check digitiser")
@click.argument("role", type=click.Choice(["digitiser", "pattern", "luminance", "power", "temperature"]))
@click.option("--verbose", is_flag=True, help="Show what was sent and received.")
@format_option
@home_option
@debug_option
@told
def check(role: str, verbose: bool, form: str, home_dir: str | None, debug: bool) -> int:
    """Put the instrument of ROLE to the test: IEEE 488.2, SCPI and the contract of its role.

    Settings and levels change meanwhile; a pattern source is at level 0 afterwards. Exit code 1: a promise is not kept.
    """
    from greystep.daemon.host import PluginHost
    from greystep.daemon.run.rig import Dialogue, open_instrument
    from greystep.schema.errors import BenchError, GreystepError, Problem

    home = chosen_home(home_dir)
    host = PluginHost.load()
    bench, _ = home.bench()
    entry = next((e for r, e in bench.instruments.items() if r == role), None)
    if entry is None:
        raise BenchError([Problem(f"no instrument for the role {role}", str(home.bench_file))])
    spec: DriverSpec = host.driver(entry.driver)
    if spec.check is None:
        raise GreystepError(f"the driver {entry.driver} offers no check")
    instrument, _, _ = open_instrument(role, entry, home, host, Dialogue().note)  # type: ignore[arg-type]
    try:
        done = spec.check(instrument)
    finally:
        instrument.close()
    rows = [{"outcome": r.outcome, "promise": r.name, "detail": r.detail, "sent": r.sent, "received": r.received} for r in done]
    columns = ["outcome", "promise", "detail"] + (["sent", "received"] if verbose else [])
    show(rows, columns, form)
    failed = sum(r.outcome == "fail" for r in done)
    click.echo(f"{sum(r.outcome == 'pass' for r in done)} passed, {failed} failed", err=form != "table")
    return FAILED if failed else DONE


@instruments.command(epilog="Example: greystep instruments dialects")
@format_option
@home_option
@debug_option
@told
def dialects(form: str, home_dir: str | None, debug: bool) -> int:
    """List the dialects: built in, of plugins, and of HOME/dialects. Exit code 3: one can't be used."""
    from greystep.daemon.host import PluginHost

    home = chosen_home(home_dir)
    host = PluginHost.load()
    readers = {spec.dialects: None for spec in host.drivers.values() if spec.dialects is not None}
    extra = [*host.dialect_files, *([home.dialects] if home.dialects.is_dir() else [])]
    found = [info for read in readers for info in read(extra)]
    rows = [
        {
            "dialect": d.name,
            "roles": list(d.roles),
            "summary": d.summary,
            "problems": [str(p) for p in d.problems],
            "file": str(d.path),
        }
        for d in found
    ]
    show(rows, ["dialect", "roles", "summary", "problems"], form)
    return FLAGGED if any(r["problems"] for r in rows) else DONE
