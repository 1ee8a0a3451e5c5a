"""Open a VISA resource and choose the link that carries it."""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

from .link import Link, LinkClosed, LinkError, LinkTimeout, remaining

_MANAGERS: Final = threading.Lock()
HISLIP_PORT: Final = 4880


@dataclass(frozen=True)
class SerialLine:
    """How a serial line is set."""

    baud_rate: int = 115200
    data_bits: int = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1


def open_link(resource: str, deadline: float, *, library: str = "@py", line: SerialLine | None = None) -> Link:
    """Open the resource. Raises LinkClosed with the reason, or LinkTimeout. Called in the session's owner thread."""
    _check_listening(resource, deadline)
    handle = _open(resource, deadline, library)

    def release() -> None:
        with contextlib.suppress(Exception):
            handle.close()

    try:
        if line is not None and resource.upper().startswith("ASRL"):
            _set_line(handle, line)
        return _carrier(handle, release)
    except BaseException:
        release()
        raise


def _open(resource: str, deadline: float, library: str) -> Any:
    import pyvisa

    logging.getLogger("pyvisa").setLevel(logging.CRITICAL)  # it prints tracebacks of refused connections
    try:
        with _MANAGERS:
            manager = pyvisa.ResourceManager(library)
        return manager.open_resource(resource, open_timeout=max(1, int(1000 * remaining(deadline))))
    except LinkError:
        raise
    except Exception as exc:  # the library raises bare Exception, ValueError, KeyError, OSError, VisaIOError
        raise LinkClosed(_why(exc)) from exc


def _carrier(handle: Any, release: Callable[[], None]) -> Link:
    from .hislip_link import HislipLink, can_carry
    from .message_link import MessageLink
    from .serial_link import SerialLink
    from .socket_link import SocketLink

    sessions = getattr(handle.visalib, "sessions", {})
    interface = getattr(sessions.get(handle.session), "interface", None)
    if isinstance(interface, socket.socket):
        return SocketLink(interface, release)
    if can_carry(interface):
        return HislipLink(interface, release)
    if hasattr(interface, "in_waiting"):
        return SerialLink(interface, release)
    return MessageLink(handle, release)


def _set_line(handle: Any, line: SerialLine) -> None:
    from pyvisa.constants import Parity, StopBits

    handle.baud_rate = line.baud_rate
    handle.data_bits = line.data_bits
    handle.parity = Parity[line.parity]
    handle.stop_bits = StopBits.one if line.stop_bits == 1 else StopBits.two


def _check_listening(resource: str, deadline: float) -> None:
    """The library's HiSLIP client waits 5 s whatever was asked, leaks its socket and says only "not found"."""
    parts = resource.split("::")
    if not parts[0].upper().startswith("TCPIP") or parts[-1].upper() != "INSTR" or "hislip" not in resource.lower():
        return
    port = parts[2].partition(",")[2] if len(parts) > 3 else ""
    try:
        socket.create_connection((parts[1], int(port or HISLIP_PORT)), remaining(deadline)).close()
    except TimeoutError as exc:
        raise LinkTimeout("no connection in time") from exc
    except (OSError, ValueError) as exc:
        raise LinkClosed(getattr(exc, "strerror", None) or str(exc)) from exc


def _why(exc: BaseException) -> str:
    """The most telling message in a chain of exceptions."""
    found: BaseException | None = exc
    while found is not None:
        if isinstance(found, OSError) and found.strerror:
            return found.strerror
        found = found.__cause__ or found.__context__
    return str(exc).strip() or type(exc).__name__
