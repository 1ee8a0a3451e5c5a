"""How a command ends: 0 done, 1 failed, 2 wrong use, 3 done but something is flagged. One line for each error."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import ParamSpec

import click

P = ParamSpec("P")
DONE, FAILED, WRONG_USE, FLAGGED = 0, 1, 2, 3
INTERRUPTED = 130
"""As a shell tells of a process that SIGINT ended."""


def told(command: Callable[P, int]) -> Callable[P, None]:
    """A command that returns its exit code; errors go to standard error, with a traceback only after `--debug`."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        from greystep.schema.errors import GreystepError, InputError

        context = click.get_current_context()
        try:
            code = command(*args, **kwargs)
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise
        except GreystepError as exc:
            if _debug(context):
                raise
            click.echo(_printable(str(exc)), err=True)
            code = WRONG_USE if isinstance(exc, InputError) else FAILED
        except Exception as exc:
            if _debug(context):
                raise
            reason = (str(exc).splitlines() or [""])[0][:300]
            click.echo(
                f"{context.command_path}: {_kind(exc)}: {_printable(reason)} (the same with --debug tells more)", err=True
            )
            code = FAILED
        context.exit(code)

    return run


def _debug(context: click.Context) -> bool:
    return bool(context.params.get("debug") or context.find_root().params.get("debug"))


def _printable(text: str) -> str:
    """Line by line: an error may quote a file's name, or what an instrument sent."""
    from .shown import printable

    return "\n".join(printable(line) for line in text.split("\n"))


def _kind(exc: Exception) -> str:
    return "the system refused" if isinstance(exc, OSError) else f"unexpected {type(exc).__name__}"


def home_option(command: Callable[P, None]) -> Callable[P, None]:
    """`--home`, for each command; the group's own is taken when it isn't given."""
    return click.option("--home", "home_dir", metavar="DIR", default=None, help="Home folder (default: GREYSTEP_HOME).")(
        command
    )


def debug_option(command: Callable[P, None]) -> Callable[P, None]:
    """`--debug`."""
    return click.option("--debug", is_flag=True, help="Show the traceback of an error.")(command)
