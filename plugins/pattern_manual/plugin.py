"""Offers the driver."""

from __future__ import annotations

from collections.abc import Sequence

from greystep.schema.hooks import hookimpl
from greystep.schema.roles import DriverSpec

from .driver import ManualPattern, ManualSettings


@hookimpl
def greystep_drivers() -> Sequence[DriverSpec]:
    """The person at the device."""
    summary = "a person changes the level on the device: `greystep capture` leads through it"
    return [DriverSpec("manual", "pattern", summary, ManualSettings, ManualPattern.open)]
