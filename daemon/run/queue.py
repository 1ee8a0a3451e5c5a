"""Which run is next: the accepted ones that have not ended, highest priority first, then the oldest."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from pathlib import Path

from greystep.daemon.failpoints import Failpoints
from greystep.daemon.home import Home
from greystep.schema.errors import PlanError

from . import requests
from .journal import ENDED, Journal, State
from .spool import PLAN, load_plan
from .status import read_status


@dataclass(frozen=True)
class Queued:
    """A run that has not ended."""

    run: str
    folder: Path
    priority: int
    state: State
    name: str


def run_folders(home: Home) -> list[Path]:
    """All run folders, oldest first."""
    try:
        return sorted(p for p in home.runs.iterdir() if (p / PLAN).is_file())
    except FileNotFoundError:
        return []


def open_runs(home: Home, known_ended: Container[str] = ()) -> list[Queued]:
    """Runs that have not ended, in the order in which they will be taken.

    Args:
        known_ended: runs whose journals need not be read again; only `reopen_failed` opens one again.
    """
    found = []
    for folder in run_folders(home):
        if folder.name in known_ended:
            continue
        state = Journal(folder).state()
        if state in ENDED:
            continue
        try:
            plan = load_plan(folder).plan
            if plan.pattern == "manual":
                continue  # taken by a person with 'greystep capture'
            found.append(Queued(folder.name, folder, plan.priority, state, plan.name))
        except PlanError:
            found.append(Queued(folder.name, folder, 0, state, "unreadable plan"))
    return sorted(found, key=lambda q: (-q.priority, q.run))


def reopen_failed(home: Home, failpoints: Failpoints | None = None) -> list[str]:
    """Open the failed runs again that a person asked to go on with, once the bench is mended. Returns their names."""
    opened = []
    for folder in run_folders(home):
        if requests.asked(folder, "resume") and Journal(folder).state() == "failed":
            Journal(folder, failpoints).append("reopened")
            requests.take(folder, "pause", "resume")
            opened.append(folder.name)
    return opened


def ended_runs(home: Home, known: Container[str] = ()) -> list[str]:
    """Runs that are over, whatever the way, without those that are `known` to be."""
    return [p.name for p in run_folders(home) if p.name not in known and Journal(p).state() in ENDED]


def status_of(home: Home, run: str) -> dict[str, object]:
    """Last known status of a run."""
    folder = home.runs / run
    status = read_status(folder) or {"run": run}
    return status | {"state": Journal(folder).state()}
