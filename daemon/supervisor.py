"""Words to the system's service manager (sd_notify), where there is one."""

from __future__ import annotations

import os
import socket


def tell(message: str) -> bool:
    """Send a state such as `READY=1` or `WATCHDOG=1`; whether a manager listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as link:
            link.sendto(message.encode(), address)
    except OSError:
        return False
    return True
