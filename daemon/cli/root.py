"""The root of the command line. The list of commands is data, so that `--help` imports none of them."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from io import TextIOWrapper
from typing import Any, Final

import click

from .ending import FAILED, INTERRUPTED

COMMANDS: Final[dict[str, dict[str, tuple[str, str]]]] = {
    "Measure": {
        "demo": ("demo:demo", "Run the whole job on a virtual bench, in under a minute."),
        "serve": ("serve:serve", "Run the service, in the foreground."),
        "plan": ("plan:plan", "Make and check plans."),
        "submit": ("submit:submit", "Check a plan and put it into the inbox."),
        "status": ("status:status", "Show the queue and the progress."),
        "cancel": ("steer:cancel", "Cancel a run; its captures are kept."),
        "pause": ("steer:pause", "Pause a run after the present capture."),
        "resume": ("steer:resume", "Go on with a paused run."),
    },
    "Displays without a wire": {
        "import": ("import_:import_", "Traces recorded elsewhere become captures."),
        "capture": ("capture:capture", "Take a plan by hand, with a person changing the level."),
        "pattern": ("pattern:pattern", "Pictures, videos and a page of levels."),
        "planner": ("planner:planner", "Sample rate and repeats for a wanted uncertainty."),
    },
    "Figures": {
        "results": ("results:results", "Show or export measurements."),
        "budget": ("budget:budget", "Show the uncertainty of a figure, line by line."),
        "compare": ("compare:compare", "Rank displays; say which differences are real."),
        "report": ("report:report", "Write the static pages."),
        "methods": ("methods:methods", "List and explain methods."),
        "recompute": ("recompute:recompute", "Bring measurements up to date with the methods."),
    },
    "Bench and archive": {
        "archive": ("archive:archive", "Verify and rebuild the raw archive."),
        "instruments": ("instruments:instruments", "Find and check instruments."),
        "service-unit": ("service_unit:service_unit", "Print a systemd unit or launchd agent for the service."),
        "plugins": ("plugins:plugins", "List the loaded plugins."),
        "plugin": ("plugin:plugin", "Start a plugin of your own."),
        "completion": ("completion:completion", "Print the completion script of a shell."),
    },
}
"""Heading -> name -> module and object, and the line for the list."""
_PLACES: Final = {name: place for part in COMMANDS.values() for name, (place, _) in part.items()}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called, and whose errors are one line."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of the job, not of the alphabet."""
        return list(_PLACES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in _PLACES:
            return None
        module, name = _PLACES[cmd_name].split(":")
        command: click.Command = getattr(import_module(f"{__package__}.{module}"), name)
        return command

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        """As usual, with near names when there is no such command."""
        if args and args[0] not in _PLACES and not args[0].startswith("-") and not ctx.resilient_parsing:
            from difflib import get_close_matches

            near = get_close_matches(args[0], _PLACES)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise click.UsageError(f"there is no command {args[0]!r}{hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list, from the table alone."""
        for heading, part in COMMANDS.items():
            with formatter.section(heading):
                formatter.write_dl([(name, text) for name, (_, text) in part.items()])

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run, and exit with the contract's codes; wrong use is told in one line."""
        name = prog_name or "greystep"
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, TextIOWrapper):
                stream.reconfigure(errors="replace")  # a sign that the terminal has no code for must not end a command
        try:
            code = super().main(args, name, complete_var or "_GREYSTEP_COMPLETE", standalone_mode=False, **extra)
            sys.stdout.flush()
        except click.exceptions.NoArgsIsHelpError as exc:
            exc.show()
            sys.exit(exc.exit_code)
        except click.ClickException as exc:
            click.echo(_one_line(exc), err=True)
            sys.exit(exc.exit_code)
        except (click.Abort, KeyboardInterrupt):
            sys.exit(INTERRUPTED)
        except BrokenPipeError:
            # The reader has gone, as `head` does. Nothing may be written any more, at exit neither.
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            sys.exit(FAILED)
        if not standalone_mode:
            return code
        sys.exit(code if isinstance(code, int) else 0)


def _one_line(exc: click.ClickException) -> str:
    text = " ".join(exc.format_message().split())
    context = getattr(exc, "ctx", None)
    if context is None:
        return text
    return f"{context.command_path}: {text[:1].lower()}{text[1:].rstrip('.')} ('{context.command_path} --help' shows the use)"


def _version(ctx: click.Context, _param: click.Parameter, wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        click.echo(f"greystep {version('greystep')}")
        ctx.exit()


@click.group(
    "greystep",
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    epilog="Begin with: greystep demo --home demo-home",
)
@click.option("--home", metavar="DIR", default=None, help="Home folder (default: GREYSTEP_HOME, else the user data folder).")
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
@click.option("--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Show the version.")
@click.pass_context
def main(ctx: click.Context, home: str | None, debug: bool) -> None:
    """Unattended display-response measurement with an immutable raw archive and an uncertainty on every number.

    Exit codes: 0 done, 1 failed, 2 wrong use, 3 done but something is flagged.
    """
    del debug  # read by `ending.told`
    ctx.obj = home
