"""What a person asks of a run: files in the run's folder, because no port is opened."""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal

from greystep.daemon.archive.durable import replace_text

Request = Literal["cancel", "pause", "resume"]
REQUESTS: Final[tuple[Request, ...]] = ("cancel", "pause", "resume")


def ask(folder: Path, request: Request, reason: str = "") -> None:
    """Leave a request; it stands until the service took it."""
    replace_text(folder / f"{request}.request", reason + "\n")


def asked(folder: Path, request: Request) -> bool:
    """Whether the request stands."""
    return (folder / f"{request}.request").exists()


def take(folder: Path, *requests: Request) -> None:
    """Mark requests as taken."""
    for request in requests:
        (folder / f"{request}.request").unlink(missing_ok=True)
