"""What quiet-bench offers."""

from __future__ import annotations

from pathlib import Path

from greystep.schema.hooks import hookimpl
from greystep.schema.roles import DriverSpec

from .meter import FileMeter, FileMeterSettings


@hookimpl
def greystep_drivers() -> list[DriverSpec]:
    """One power meter."""
    return [DriverSpec("quiet-power", "power", "Power as another program writes it", FileMeterSettings, FileMeter.open)]


@hookimpl
def greystep_methods() -> list[Path]:
    """One method over a built-in estimator."""
    return sorted(Path(__file__).with_name("methods").glob("*.toml"))
