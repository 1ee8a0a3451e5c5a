"""A launchd agent for the service on macOS: launchd.plist(5). launchd has no watchdog and no sandbox directives to set."""

from __future__ import annotations

import plistlib
from pathlib import Path

LABEL = "org.greystep.service"


def agent(program: Path, home: Path) -> str:
    """The text of the property list: start at log-in, start again after a crash, two minutes for an orderly end."""
    made = {
        "Label": LABEL,
        "ProgramArguments": [str(program), "serve", "--quiet", "--home", str(home)],
        "RunAtLoad": True,
        "KeepAlive": {"SuccessfulExit": False},
        "ExitTimeOut": 120,
        "ProcessType": "Interactive",
        "Umask": 0o077,
    }
    return plistlib.dumps(made, sort_keys=False).decode()
