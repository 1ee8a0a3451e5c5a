"""A systemd unit for the service. Directives: systemd.service(5), systemd.exec(5), sd_notify(3)."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from greystep.schema.errors import GreystepError

WATCHDOG_S: Final = 60
"""The service beats every second; a loop that stands still for so long is killed and started again."""
STOP_S: Final = 120
"""The present capture is finished and the display made dark before the end; long holds take a minute."""
_SANDBOX: Final = """\
# What the service may touch. Devices stay open to it: instruments may be on USB or a serial line.
# MemoryDenyWriteExecute= is left out: loops over samples are compiled, and charts drawn, by code made as it runs.
UMask=0077
NoNewPrivileges=yes
CapabilityBoundingSet=
ProtectSystem=strict
ReadWritePaths={home}
# Compiled loops are kept here from one start to the next.
CacheDirectory=greystep
CacheDirectoryMode=0700
Environment=NUMBA_CACHE_DIR=%C/greystep
PrivateTmp=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectClock=yes
ProtectHostname=yes
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM
"""


def unit(program: Path, home: Path, user: str = "") -> str:
    """The text of the unit.

    Args:
        program: the `greystep` command, absolute.
        home: the home folder, absolute; it must exist when the unit starts.
        user: account that the service runs as; empty: a unit of the user's own manager (`systemctl --user`).

    Raises:
        GreystepError: a path or name that a unit can't hold.
    """
    for path in (program, home):
        if not path.is_absolute() or any(not c.isprintable() for c in str(path)):
            raise GreystepError(f"{str(path)!r} can't stand in a unit", todo="give absolute paths of printable characters")
    if user and not user.replace("-", "").replace("_", "").isalnum():
        raise GreystepError(f"{user!r} is no account name", todo="give the name of an account")
    start = f"{_word(program, command=True)} serve --quiet --home {_word(home, command=True)}"
    lines = [
        "[Unit]",
        "Description=greystep, display-response measurement",
        "Documentation=man:systemd.service(5)",
        "After=network-online.target" if user else "After=default.target",
        *(["Wants=network-online.target"] if user else []),
        f"RequiresMountsFor={_word(home)}",
        "",
        "[Service]",
        "Type=notify",
        "NotifyAccess=main",
        f"ExecStart={start}",
        "ExecReload=/bin/kill -HUP $MAINPID",
        *([f"User={user}", "SupplementaryGroups=dialout"] if user else []),
        "Restart=on-failure",
        "RestartSec=5",
        f"WatchdogSec={WATCHDOG_S}",
        "TimeoutStartSec=300",
        f"TimeoutStopSec={STOP_S}",
        "# The service ends its own workers; killed at once, they could not hand back what they have.",
        "KillMode=mixed",
        "",
        _SANDBOX.format(home=_word(home)),
        "[Install]",
        f"WantedBy={'multi-user.target' if user else 'default.target'}",
        "",
    ]
    return "\n".join(lines)


def _word(path: Path, *, command: bool = False) -> str:
    """A path as one word: quoted, specifiers and (in commands) variables kept from being replaced."""
    text = str(path).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{text.replace("$", "$$") if command else text}"'
