"""Faults of the instrument itself: it refuses, restarts, jams, or has been replaced by another."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ..scpi.errors import ScpiError
from ..scpi.instrument import Identity, Instrument
from .order import EVENT_KINDS, FaultOrder

if TYPE_CHECKING:
    from ..scpi.server import InstrumentServer

IMPOSTOR = Identity("Greystep Virtual Bench", "Function Generator VG9", "VB-G-0009", "2.2")


def happen(server: InstrumentServer, message: str) -> bool:
    """Carry out the event that is due with this message. False: the message is lost in it."""
    order = server.faults.due(EVENT_KINDS, message)
    if order is None:
        return True
    if order.kind == "stuck_trigger" and "INIT" not in message.upper():
        return True
    order.hits += 1
    if order.kind in ("refuse", "reboot"):
        if order.kind == "reboot":
            _reboot(server.instrument, order)
        server.leave_for(float(order.parameters["seconds"]))
        return False
    if order.kind == "error_queue_full":
        for _ in range(server.instrument.status.errors.capacity + 1):
            server.instrument.status.report(ScpiError(-310, "ordered by a test"))
    elif order.kind == "stuck_trigger":
        server.instrument.jam()
    elif order.kind == "other_instrument":
        server.instrument = Instrument(server.instrument.name, IMPOSTOR, server.instrument.clock)
    return True


def _reboot(instrument: Instrument, order: FaultOrder) -> None:
    """Power off and on: settings and status are lost, and it comes back with other firmware and serial number."""
    instrument.power_on()
    instrument.identity = replace(
        instrument.identity, serial=str(order.parameters["serial"]), firmware=str(order.parameters["firmware"])
    )
