"""`greystep methods`."""

from __future__ import annotations

import click

from .completing import METHOD
from .ending import DONE, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, format_option, show


@click.group(invoke_without_command=True, epilog="Example: greystep methods show band-first-entry")
@click.pass_context
def methods(ctx: click.Context) -> None:
    """List and explain methods: the built-in ones and those of HOME/methods."""
    if ctx.invoked_subcommand is None:
        ctx.invoke(list_)


@methods.command("list", epilog="Example: greystep methods list --format json")
@format_option
@home_option
@debug_option
@told
def list_(form: str, home_dir: str | None, debug: bool) -> int:
    """List the methods with their fingerprints. Exit code 3: a definition can't be used."""
    from greystep.daemon.host import PluginHost
    from greystep.daemon.service import methods_of

    known = methods_of(chosen_home(home_dir), PluginHost.load())
    rows = [
        {
            "id": m.id,
            "title": m.definition.title,
            "estimator": m.definition.estimator,
            "fingerprint": m.fingerprint if form != "table" else m.fingerprint[:12],
            "standard": m.definition.standard,
        }
        for m in known.methods.values()
    ]
    show(rows, ["id", "title", "estimator", "fingerprint"], form)
    for problem in known.problems:
        click.echo(str(problem), err=True)
    return FLAGGED if known.problems else DONE


@methods.command("show", epilog="Example: greystep methods show duration-10-90")
@click.argument("method", shell_complete=METHOD)
@home_option
@debug_option
@told
def show_(method: str, home_dir: str | None, debug: bool) -> int:
    """Explain METHOD in words with its formula, fit to be published beside the numbers."""
    from greystep.daemon.host import PluginHost
    from greystep.daemon.service import methods_of

    host = PluginHost.load()
    found = methods_of(chosen_home(home_dir), host).require(method)[0]
    estimator = host.estimators[found.definition.estimator]
    click.echo(f"{found.id}: {found.definition.title}")
    for text in (found.definition.standard, found.definition.description.strip()):
        if text:
            click.echo(f"\n{text}")
    click.echo(f"\n{estimator.explain(estimator.Parameters(**found.parameters)).strip()}")
    click.echo("\nParameters:")
    for name, value in found.parameters.items():
        click.echo(f"  {name} = {value}")
    click.echo(f"Preparation {found.preparer} {found.preparer_version}:")
    for name, value in found.preparation.items():
        click.echo(f"  {name} = {value}")
    click.echo(f"Estimator {found.definition.estimator} {found.estimator_version}; fingerprint {found.fingerprint}")
    return DONE
