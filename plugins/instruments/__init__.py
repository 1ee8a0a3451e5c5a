"""Built-in instrument drivers: SCPI by dialect, the serial light sensor, and the playback of recordings.

Only the settings are imported here; pyvisa and the drivers are when an instrument is opened.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from greystep.schema.hooks import hookimpl
from greystep.schema.roles import DriverSpec

from .dialects import built_in_dialects
from .offered import offered_drivers


@hookimpl
def greystep_drivers() -> Sequence[DriverSpec]:
    """The built-in drivers."""
    return offered_drivers()


@hookimpl
def greystep_dialects() -> Sequence[Path]:
    """The built-in dialects."""
    return built_in_dialects()
