"""`greystep completion`."""

from __future__ import annotations

import click

from .ending import DONE, debug_option, told


@click.command(epilog='Example: eval "$(greystep completion bash)"')
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@debug_option
@told
def completion(shell: str, debug: bool) -> int:
    """Print the completion script of a shell."""
    from click.shell_completion import get_completion_class

    root = click.get_current_context().find_root()
    made = get_completion_class(shell)
    assert made is not None
    click.echo(made(root.command, {}, "greystep", "_GREYSTEP_COMPLETE").source())
    return DONE
