"""What can be chosen when the service is started."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from greystep.daemon.watch.watcher import Observer


@dataclass(frozen=True)
class ServiceOptions:
    """How the service runs."""

    workers: int | None = None
    """Analysis processes; None: one a processor."""
    observer: Observer = "native"
    """How new files are noticed; the scan works with each."""
    once: bool = False
    """End when the queue is empty and everything is analysed and reported."""
    terminal: bool = True
    """Whether to log to standard error."""
    report: bool = True
    """Whether to write pages when a run has ended."""
    scan_s: float = 20.0
    """Between two scans of the archive, in s."""
    notify_command: tuple[str, ...] = ()
    """Command that is run when a run has ended, with the run and its state as arguments; empty: none."""
    record: Path | None = None
    """Folder for recordings of all instruments; None: only those that `bench.toml` asks for."""
