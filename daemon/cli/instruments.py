"""`greystep instruments`."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .ending import DONE, FAILED, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, format_option, show

if TYPE_CHECKING:
    from greystep.daemon.home import Home
    from greystep.daemon.host import PluginHost
    from greystep.schema.bench import Role
    from greystep.schema.roles import CheckResult, FoundResource

ROLES = ("digitiser", "pattern", "luminance", "power", "temperature")


@click.group(invoke_without_command=True, epilog="Example: greystep instruments check digitiser")
@click.pass_context
def instruments(ctx: click.Context) -> None:
    """Find instruments, check whether they keep their promises, list dialects."""
    if ctx.invoked_subcommand is None:
        ctx.invoke(list_)


@instruments.command("list", epilog="Example: greystep instruments list --format json")
@click.option("--no-search", is_flag=True, help="Only those of bench.toml; don't look for others.")
@format_option
@home_option
@debug_option
@told
def list_(no_search: bool, form: str, home_dir: str | None, debug: bool) -> int:
    """List the instruments of bench.toml with their identity, and those that can be found from here.

    Exit code 3: an instrument of the bench does not answer.
    """
    from greystep.daemon.host import PluginHost

    home, host = chosen_home(home_dir), PluginHost.load()
    rows = [_identified(home, host, role, entry) for role, entry in home.bench()[0].instruments.items()]
    troubled = any(r["missing"] for r in rows)
    if not no_search:
        for find in dict.fromkeys(d.find for d in host.drivers.values() if d.find is not None):
            rows += [_found(f) for f in find()]
    show(rows, ["role", "address", "about", "missing", "what_to_do"], form, empty="no instruments in bench.toml")
    return FLAGGED if troubled else DONE


def _identified(home: Home, host: PluginHost, role: Role, entry: Any) -> dict[str, Any]:
    from greystep.daemon.run.rig import open_rig
    from greystep.schema.errors import GreystepError

    row = {"role": role, "address": str(entry.settings().get("resource", "")), "driver": entry.driver}
    try:
        with home.lock("bench", "a list of instruments"):  # a run would be disturbed
            rig = open_rig(home, host, need=(role,), others=False)
            try:
                return row | {"about": rig.records[role].identity, "missing": "", "what_to_do": ""}
            finally:
                rig.close()
    except GreystepError as exc:
        return row | {"about": f"driver {entry.driver}", "missing": exc.what, "what_to_do": exc.todo}


def _found(found: FoundResource) -> dict[str, Any]:
    return {
        "role": "",
        "address": found.resource,
        "driver": "",
        "about": found.about,
        "missing": found.missing,
        "what_to_do": found.todo,
    }


@instruments.command(epilog="Example: greystep instruments check digitiser")
@click.argument("role", type=click.Choice([*ROLES, "all", "bench"]))
@click.option(
    "--plan", "plan_file", type=click.Path(path_type=Path), metavar="FILE", help="With bench: whether this plan suits it."
)
@click.option(
    "--record",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Record all that goes over the wire into this new file; the driver replay-ROLE plays it back.",
)
@click.option("--verbose", is_flag=True, help="Show what was sent and received for every check, not only for failed ones.")
@format_option
@home_option
@debug_option
@told
def check(
    role: str, plan_file: Path | None, record: Path | None, verbose: bool, form: str, home_dir: str | None, debug: bool
) -> int:
    """Check the live instrument of ROLE against the contract of its role and of its protocol.

    `bench` measures noise, dark level, use of the converter, bandwidth, clocks and jitter, and suggests settings; with --plan
    it also takes each transition of the plan once and says whether sample rate, hold, record length, range and repeats suit
    it.

    It may change settings and drive levels; afterwards it is idle, a pattern source at level 0. Exit code 1: a check failed.
    """
    from greystep.daemon.host import PluginHost
    from greystep.daemon.run.flash import CAUTION

    if plan_file is not None and role != "bench":
        raise click.UsageError("--plan belongs to 'instruments check bench'")
    if record is not None and role in ("all", "bench"):
        raise click.UsageError("--record takes one ROLE; 'greystep serve --record FOLDER' records all of them")
    home, host = chosen_home(home_dir), PluginHost.load()
    if role in ("pattern", "bench", "all"):
        click.echo(f"caution: the screen may flash. {CAUTION}", err=True)
    with home.require().lock("bench", "a check of instruments"):  # a run would be disturbed
        roles: Iterable[Any] = list(home.bench()[0].instruments) if role == "all" else [role]
        rows = (
            _bench_checked(home, host, plan_file)
            if role == "bench"
            else [row for one in roles for row in _checked(home, host, one, record)]
        )
    columns = ["role", "outcome", "check", "detail"]
    show(rows, columns, form, empty="no instruments in bench.toml")
    if form == "table":
        for row in rows:
            if (verbose or row["outcome"] == "fail") and (row["sent"] or row["received"]):
                click.echo(
                    f"\n{row['role']}: {row['check']}\n{_dialogue(row['sent'], '>')}{_dialogue(row['received'], '<')}", nl=False
                )
    return FAILED if any(r["outcome"] == "fail" for r in rows) else DONE


def _dialogue(text: str, sign: str) -> str:
    return "".join(f"  {sign} {line}\n" for line in text.splitlines())


def _checked(home: Home, host: PluginHost, role: Role, record: Path | None) -> list[dict[str, Any]]:
    from greystep.daemon.run.rig import open_rig
    from greystep.schema.errors import InstrumentError

    rig = open_rig(home, host, need=(role,), others=False, record=lambda _: record)
    try:
        spec = host.driver(rig.bench.instruments[role].driver)
        if spec.check is None:
            raise InstrumentError(f"the driver {spec.name} has no checks", role=role)
        if record is not None and "record" not in spec.settings.model_fields:
            raise InstrumentError(f"the driver {spec.name} has no recording", role=role, todo="leave out --record")
        return [_result(role, r) for r in spec.check(rig.opened[role])]
    finally:
        rig.close()


def _bench_checked(home: Home, host: PluginHost, plan_file: Path | None) -> list[dict[str, Any]]:
    from greystep.daemon.run.bench_check import judge, measure_bench
    from greystep.daemon.run.plan_preview import judge_plan, preview
    from greystep.daemon.run.rig import open_rig
    from greystep.daemon.run.spool import check_plan_file

    plan = check_plan_file(plan_file, home.bench()[0].sensor.patch_area_sr).plan if plan_file is not None else None
    rig = open_rig(home, host, others=False)
    try:
        figures = measure_bench(rig)
        found = judge(figures)
        if plan is not None:
            found += judge_plan(plan, figures, preview(rig, plan, figures))
        return [_result("bench", r) for r in found]
    finally:
        rig.close()


def _result(role: str, r: CheckResult) -> dict[str, Any]:
    return {
        "role": role,
        "outcome": r.outcome,
        "check": r.name,
        "detail": r.detail,
        "sent": r.sent,
        "received": r.received,
    }


@instruments.command(epilog="Example: greystep instruments dialects")
@format_option
@home_option
@debug_option
@told
def dialects(form: str, home_dir: str | None, debug: bool) -> int:
    """List the dialects: the built-in ones and those of HOME/dialects. Exit code 3: one can't be used."""
    from greystep.daemon.host import PluginHost

    home, host = chosen_home(home_dir), PluginHost.load()
    extra = [*host.dialect_files, *([home.dialects] if home.dialects.is_dir() else [])]
    found = [
        info
        for read in dict.fromkeys(d.dialects for d in host.drivers.values() if d.dialects is not None)
        for info in read(extra)
    ]
    rows = [
        {
            "dialect": info.name,
            "roles": list(info.roles),
            "summary": info.summary,
            "file": str(info.path),
            "problems": [str(p) for p in info.problems],
        }
        for info in found
    ]
    show(rows, ["dialect", "roles", "summary", "file"], form)
    if form == "table":
        for row in rows:
            for problem in row["problems"]:
                click.echo(problem, err=True)
    return FLAGGED if any(r["problems"] for r in rows) else DONE
