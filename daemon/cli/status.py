"""`greystep status`."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import click

from .ending import DONE, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, format_option, show

if TYPE_CHECKING:
    from greystep.daemon.home import Home

_ENDED_SHOWN = 10


@click.command(epilog="Example: greystep status --follow")
@click.option("--follow", is_flag=True, help="Keep showing until nothing is left to do.")
@format_option
@home_option
@debug_option
@told
def status(follow: bool, form: str, home_dir: str | None, debug: bool) -> int:
    """Show whether the service runs, the queue, the progress with the time left, and why something waits or failed.

    Exit code 3: a run has failed or has flagged captures.
    """
    home = chosen_home(home_dir).require()
    while True:
        rows = _rows(home)
        if form == "table":
            click.echo(_service_line(home))
        show(rows, ["run", "plan", "dut", "state", "done", "total", "time_left", "note"], form, empty="no runs yet")
        for caution in dict.fromkeys(r["caution"] for r in rows if r["caution"] and r["state"] == "running"):
            click.echo(f"caution: {caution}", err=True)
        waiting = any(r["state"] in ("queued", "running", "waiting") for r in rows)
        if not follow or not waiting:
            return FLAGGED if any(r["state"] == "failed" or r["flagged"] for r in rows) else DONE
        time.sleep(1.0)


def _service_line(home: Home) -> str:
    if not home.locked():
        return "no service is running in this home"
    from greystep.daemon.run.status import read_status

    beat = read_status(home.root) or {}
    analysis = beat.get("analysis") or {}
    words = f"service running, {beat.get('waiting_plans', 0)} plans in the inbox, analysis "
    words += f"{analysis.get('groups_waiting', 0)} groups waiting" if analysis.get("busy") else "up to date"
    return words + (f"; {analysis['problem']}" if analysis.get("problem") else "")


def _rows(home: Home) -> list[dict[str, Any]]:
    from greystep.daemon.run.journal import ENDED
    from greystep.daemon.run.queue import open_runs, run_folders, status_of

    order = [q.run for q in open_runs(home)]
    ended = [p.name for p in run_folders(home) if p.name not in set(order)][-_ENDED_SHOWN:]
    made = []
    for run in [*ended, *order]:
        s: dict[str, Any] = status_of(home, run)
        left = s.get("time_left_s")
        made.append(
            {
                "run": run,
                "plan": s.get("plan", ""),
                "dut": s.get("dut", ""),
                "state": s["state"],
                "done": s.get("done"),
                "total": s.get("total"),
                "time_left": "" if s["state"] in ENDED or left is None else f"{float(left) / 60:.1f} min",
                "note": s.get("reason") or s.get("current") or "",
                "flagged": s.get("flagged", 0),
                "caution": s.get("caution", ""),
                "retries": s.get("retries", 0),
            }
        )
    return made
