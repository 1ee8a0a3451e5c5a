"""`greystep service-unit`."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import click

from .ending import DONE, debug_option, home_option, told
from .shown import chosen_home


@click.command(epilog="Example: greystep service-unit >~/.config/systemd/user/greystep.service")
@click.option("--manager", type=click.Choice(["systemd", "launchd"]), default="systemd", show_default=True)
@click.option("--user", default="", help="Account for a unit of the system's own manager (default: a unit of the user's).")
@home_option
@debug_option
@told
def service_unit(manager: str, user: str, home_dir: str | None, debug: bool) -> int:
    """Print what the system's service manager needs to run greystep; install it yourself.

    systemd: `systemctl --user enable --now greystep`, and `loginctl enable-linger` so that it runs while nobody is logged in.
    launchd: save it in ~/Library/LaunchAgents and `launchctl load` it.
    """
    home = chosen_home(home_dir).root
    program = Path(shutil.which("greystep") or Path(sys.executable).with_name("greystep")).absolute()
    if manager == "launchd":
        from greystep.daemon.system.launchd import agent

        click.echo(agent(program, home), nl=False)
        return DONE
    from greystep.daemon.system.systemd import unit

    click.echo(unit(program, home, user), nl=False)
    return DONE
