"""`greystep capture`: a plan taken by hand, one change of level at a time."""

from __future__ import annotations

from pathlib import Path

import click

from .ending import DONE, FLAGGED, debug_option, home_option, told


@click.command(
    epilog="Example: greystep capture handheld.toml --repeats 3",
    short_help="Take a plan by hand, or by the pattern page.",
)
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--repeats", type=click.IntRange(1, 1000), help="Repeats of each transition (default: at most 3, or the plan's).")
@home_option
@debug_option
@told
def capture(plan: Path, repeats: int | None, home_dir: str | None, debug: bool) -> int:
    """Take PLAN without a sync edge: each change of light is recorded, recognised by its levels, and kept or asked for again.

    With pattern = "manual" in the plan a person changes the level on the device; the terminal shows what is still to take.
    p pauses; the same command goes on another day. With the pattern page in bench.toml the page changes it. bench.toml names
    the digitiser.
    """
    from greystep.daemon.attended.attend import attend
    from greystep.daemon.attended.terminal import PlainTerminal
    from greystep.daemon.home import Home
    from greystep.daemon.host import PluginHost
    from greystep.daemon.run.flash import CAUTION, require_acknowledged
    from greystep.schema.errors import PlanError
    from greystep.schema.plan import Plan
    from greystep.schema.toml_source import TomlSource

    source = TomlSource.read(plan, PlanError)
    read = source.validate(Plan, PlanError)
    if read.pattern == "driven":
        require_acknowledged(read, source)
    home = Home.find(home_dir or click.get_current_context().obj).create()
    terminal = PlainTerminal()
    terminal.say(CAUTION)
    if read.power or read.warm_up:
        terminal.say("Power readings and the warm-up of the plan are not taken.")
    with home.lock("bench", "an attended capture"):
        done = attend(read, source.text, home, PluginHost.load(), terminal, repeats)
    if not done.finished:
        click.echo(f"paused: session {done.run}, {done.missing} records to go")
        return FLAGGED
    click.echo(f"archived {done.captures} captures as run {done.run} of {done.dut}")
    return FLAGGED if done.missing else DONE
