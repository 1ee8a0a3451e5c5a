"""What is going on in a home, from its files alone: service, runs, plans in the inbox. Plain data for tables and JSON.

Nothing is locked and nothing written: a look every second must not get into the way of a service that starts.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from greystep.daemon.home import Home

ENDED_SHOWN = 10
OPEN = ("running", "waiting", "queued", "paused")
_SILENT_S = 60.0
"""The service tells of itself every second; silent for so long, it hangs."""


def service_now(home: Home) -> dict[str, Any]:
    """state (running, silent, stopped, never), pid, waiting_plans, analysis and so on as the service told last."""
    from greystep.daemon.run.status import read_status

    beat = read_status(home.root)
    if beat is None:
        return {"state": "never"}
    alive = beat.get("state") == "running" and _exists(beat.get("pid"))
    silent = alive and _age_s(beat.get("utc")) > _SILENT_S
    return beat | {"state": "silent" if silent else "running" if alive else "stopped"}


def serving(home: Home) -> bool:
    """Whether a service works in this home."""
    return service_now(home)["state"] in ("running", "silent")


def _exists(pid: object) -> bool:
    if not isinstance(pid, int) or pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def _age_s(utc: object) -> float:
    try:
        return (datetime.now(UTC) - datetime.fromisoformat(str(utc))).total_seconds()
    except (ValueError, TypeError):
        return float("inf")


def runs_now(home: Home, ended: int = ENDED_SHOWN, known_ended: set[str] | None = None) -> list[dict[str, Any]]:
    """The last runs that ended, then the open ones in the order in which they are taken.

    Args:
        home: the home.
        ended: how many of those that ended.
        known_ended: runs whose journals need not be read again; runs that were seen to have ended are added.
    """
    from greystep.daemon.run.queue import open_runs, run_folders

    known = set() if known_ended is None else known_ended
    order = {q.run: q for q in open_runs(home, known)}
    over = [p for p in run_folders(home) if p.name not in order]
    made = [_run(p) for p in [*(over[-ended:] if ended else []), *(q.folder for q in order.values())]]
    known.update(r["run"] for r in made if r["state"] not in OPEN)
    known.update(p.name for p in over if p.name not in {r["run"] for r in made})
    return made


def queue_left_s(runs: list[dict[str, Any]]) -> float | None:
    """Time until all runs are done that are neither paused nor over, in s; None when there is none."""
    waiting = [r for r in runs if r["state"] in OPEN and r["state"] != "paused"]
    return round(sum(r["time_left_s"] or 0.0 for r in waiting), 1) if waiting else None


def _run(folder: Path) -> dict[str, Any]:
    from greystep.daemon.run.journal import Journal
    from greystep.daemon.run.requests import REQUESTS, asked
    from greystep.daemon.run.status import read_status

    told = read_status(folder) or {}
    state = Journal(folder).state()
    made = {
        "run": folder.name,
        "plan": told.get("plan", ""),
        "dut": told.get("dut", ""),
        "state": state,
        "done": told.get("done", 0),
        "total": told.get("total", 0),
        "flagged": told.get("flagged", 0),
        "retries": told.get("retries", 0),
        "time_left_s": told.get("time_left_s") if state in OPEN else None,
        "current": told.get("current", ""),
        "reason": told.get("reason", ""),
        "caution": told.get("caution", ""),
        "requests": [r for r in REQUESTS if asked(folder, r)],
    }
    return made | _planned(folder) if state in OPEN and not told.get("total") else made


def _planned(folder: Path) -> dict[str, Any]:
    """What the plan alone tells of a run that has not begun."""
    from greystep.daemon.run.planned import planned_captures
    from greystep.daemon.run.spool import load_plan
    from greystep.schema.errors import GreystepError

    try:
        checked = load_plan(folder)
    except GreystepError as exc:
        return {"reason": str(exc)}
    items = planned_captures(checked.plan)
    return {
        "plan": checked.plan.name,
        "dut": checked.plan.dut.id,
        "total": len(items),
        "time_left_s": round(sum(i.estimate_s for i in items), 1),
        "caution": checked.flash.reason if checked.flash.above_threshold else "",
    }


def inbox_now(home: Home) -> list[str]:
    """Names of the plans that no service has taken yet."""
    return _names(home.inbox)


def rejected_now(home: Home) -> list[str]:
    """Names of the plans that were set aside and still lie there."""
    return [n for n in _names(home.rejected) if not n.endswith(".reason.txt")]


def _names(folder: Path) -> list[str]:
    try:
        with os.scandir(folder) as entries:
            return sorted(e.name for e in entries if not e.name.startswith(".") and e.is_file())
    except OSError:
        return []
