"""`status.json` of a run and of the service: a heartbeat for people and scripts, never a source of truth."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from greystep.daemon.archive.durable import replace_text

from .journal import State, utc_now

NAME = "status.json"
PAGES = "writing the pages"
"""Key of the service's troubles when a page could not be written."""


@dataclass
class RunStatus:
    """Where a run stands."""

    run: str
    plan: str
    dut: str
    state: State
    done: int = 0
    total: int = 0
    current: str = ""
    """Capture that is being taken."""
    time_left_s: float | None = None
    """Estimate from the plan and the pace so far."""
    reason: str = ""
    """Why it waits, failed or was cancelled."""
    flagged: int = 0
    """Captures with a flagged segment."""
    retries: int = 0
    caution: str = ""
    """Said while a flashing pattern is driven."""
    priority: int = 0
    updated_utc: str = field(default_factory=utc_now)

    def write(self, folder: Path) -> None:
        """Replace the file; losing it costs nothing, so it isn't fsynced."""
        self.updated_utc = utc_now()
        replace_text(folder / NAME, json.dumps(asdict(self), ensure_ascii=False, indent=1), durable=False)


def read_status(folder: Path) -> dict[str, Any] | None:
    """The status of a run folder or of the home; None when there is none or it can't be read."""
    try:
        loaded = json.loads((folder / NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return loaded if isinstance(loaded, dict) else None
