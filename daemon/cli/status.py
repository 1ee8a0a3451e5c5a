"""`greystep status`."""

from __future__ import annotations

import csv
import json
import sys
import time
from typing import TYPE_CHECKING, Any

import click

from .ending import DONE, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, format_option, on_terminal, printable, show
from .situation import OPEN, inbox_now, queue_left_s, rejected_now, runs_now, service_now

if TYPE_CHECKING:
    from greystep.daemon.home import Home

_COLUMNS = ["run", "plan", "state", "done", "time_left", "note"]
_TURN_S = 1.0


@click.command(epilog="Example: greystep status --follow")
@click.option("--follow", is_flag=True, help="Keep showing until nothing is left to do; JSON: one object a line.")
@format_option
@home_option
@debug_option
@told
def status(follow: bool, form: str, home_dir: str | None, debug: bool) -> int:
    """Show whether the service runs, the queue, the progress with the time left, and why something waits or failed.

    With --follow, exit code 3: a run that was followed has failed, or has flagged captures.
    """
    home = chosen_home(home_dir).require()
    if not follow:
        _show(_look(home), form)
        return DONE
    return _follow(home, form)


def _look(home: Home, known_ended: set[str] | None = None) -> dict[str, Any]:
    runs = runs_now(home, known_ended=known_ended)
    return {
        "service": service_now(home),
        "runs": runs,
        "queue_left_s": queue_left_s(runs),
        "inbox": inbox_now(home),
        "rejected": rejected_now(home),
    }


def _show(now: dict[str, Any], form: str) -> None:
    if form == "json":
        click.echo(json.dumps(now, indent=1))
    elif form == "csv":
        show(now["runs"], ["run"], form) if now["runs"] else csv.writer(sys.stdout).writerow(["run"])
    else:
        for line in _head(now):
            click.echo(line)
        show([_row(r) for r in now["runs"]], _COLUMNS, form, empty="no runs yet")
        for line in _cautions(now):
            click.echo(line)


def _head(now: dict[str, Any]) -> list[str]:
    service, inbox, rejected = now["service"], now["inbox"], now["rejected"]
    lines = [_service(service)]
    open_ = sum(r["state"] in OPEN for r in now["runs"])
    if open_ > 1:
        lines.append(f"{open_} runs in the queue, about {duration(now['queue_left_s']) or 'no time'} left in all")
    if inbox:
        waits = "" if service["state"] in ("running", "silent") else ", waiting for a service ('greystep serve')"
        lines.append(f"in the inbox{waits}: {', '.join(inbox[:8])}{' ...' if len(inbox) > 8 else ''}")
    if rejected:
        lines.append(f"set aside in inbox/rejected, each with its reason: {', '.join(rejected[-4:])}")
    return [printable(line) for line in lines]


def _service(service: dict[str, Any]) -> str:
    if service["state"] in ("never", "stopped"):
        return "no service is running in this home"
    if service["state"] == "silent":
        return f"the service (process {service.get('pid')}) has been silent since {service.get('utc')}: it may hang"
    analysis = service.get("analysis") or {}
    waiting = int(analysis.get("groups_waiting", 0)) + int(analysis.get("captures_waiting", 0))
    words = f"service running (process {service.get('pid')}), figures "
    words += f"being computed, {waiting} waiting" if analysis.get("busy") else "up to date"
    troubles = [analysis.get("problem", ""), *(service.get("troubles") or {}).values()]
    return "; ".join([words, *(str(t) for t in troubles if t)])


def _row(run: dict[str, Any]) -> dict[str, Any]:
    notes = [run["reason"] or run["current"], *(f"asked to {r}" for r in run["requests"])]
    notes += [f"{run['flagged']} flagged"] if run["flagged"] else []
    return {
        "run": run["run"],
        "plan": run["plan"],
        "state": run["state"],
        "done": f"{run['done']}/{run['total']}",
        "time_left": duration(run["time_left_s"]),
        "note": [n for n in notes if n],
    }


def duration(seconds: float | None) -> str:
    """Such as `2 min 5 s`; empty for None."""
    if seconds is None:
        return ""
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s" if minutes else f"{rest} s"


def _cautions(now: dict[str, Any]) -> list[str]:
    told = dict.fromkeys(r["caution"] for r in now["runs"] if r["caution"] and r["state"] in OPEN)
    return [f"caution: {text}" for text in told]


def _follow(home: Home, form: str) -> int:
    followed: dict[str, dict[str, Any]] = {}
    before = ""
    known_ended: set[str] = set()
    with _screen(form) as screen:
        while True:
            now = _look(home, known_ended)
            going = [r for r in now["runs"] if r["state"] in OPEN]
            followed |= {r["run"]: r for r in now["runs"] if r in going or r["run"] in followed}
            before = screen(now, before)
            if not [r for r in going if r["state"] != "paused"] and not now["inbox"] and not _computing(now):
                break
            time.sleep(_TURN_S)
    return FLAGGED if any(r["state"] == "failed" or r["flagged"] for r in followed.values()) else DONE


def _computing(now: dict[str, Any]) -> bool:
    service = now["service"]
    return service["state"] == "running" and bool((service.get("analysis") or {}).get("busy"))


def _screen(form: str) -> Any:
    """A context manager that gives a function: shows what is going on, when it has changed; returns what it showed."""
    from contextlib import nullcontext

    if form == "table" and on_terminal():
        return _Drawn()
    return nullcontext(_json_line if form == "json" else _changes)


def _json_line(now: dict[str, Any], before: str) -> str:
    """One object a line; what changes every second without meaning anything is no change."""
    text = json.dumps(now["runs"] + [now["inbox"]])
    if text != before:
        click.echo(json.dumps(now))
        sys.stdout.flush()
    return text


def _changes(now: dict[str, Any], before: str) -> str:
    """Plain text: a line for every run whose line has changed."""
    lines = [*_head(now)[1:], *_cautions(now)]
    for run in now["runs"]:
        if run["state"] in OPEN or before:
            row = _row(run)
            lines.append(
                "  ".join(str(v) for v in (row["run"], row["state"], row["done"], row["time_left"], *row["note"]) if v)
            )
    for line in lines:
        if line not in before.split("\n"):
            click.echo(printable(line))
    sys.stdout.flush()
    return "\n".join(lines) or " "


class _Drawn:
    """The same place on the terminal, drawn again and again."""

    def __enter__(self) -> Any:
        from rich.live import Live

        self._live = Live(auto_refresh=False)
        self._live.__enter__()
        return self.draw

    def __exit__(self, *reason: Any) -> None:
        self._live.__exit__(*reason)

    def draw(self, now: dict[str, Any], before: str) -> str:
        """Draw it."""
        from rich.console import Group

        from .shown import drawn_table

        runs = [_row(r) | {"bar": _bar(r)} for r in now["runs"]]
        table = drawn_table(runs, [*_COLUMNS[:4], "bar", *_COLUMNS[4:]])
        self._live.update(Group(*_head(now), table, *_cautions(now)), refresh=True)
        return before


def _bar(run: dict[str, Any], width: int = 16) -> str:
    filled = int(width * run["done"] / run["total"]) if run["total"] else 0
    return "█" * filled + "·" * (width - filled)
