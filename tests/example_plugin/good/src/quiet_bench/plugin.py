"""What quiet-bench offers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from greystep.schema.capture import Capture
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


def write_keys(captures: Sequence[Capture], folder: Path) -> None:
    """One line a capture."""
    (folder / "captures.txt").write_text("".join(f"{c.meta.key} {c.segments}\n" for c in captures))


def refuse(captures: Sequence[Capture], folder: Path) -> None:
    """A reporter that fails."""
    raise RuntimeError("the printer is on fire")


@hookimpl
def greystep_reporters() -> Mapping[str, Callable[[Sequence[Capture], Any], Any]]:
    """One that writes and one that fails."""
    return {"quiet-broken": refuse, "quiet-keys": write_keys}
