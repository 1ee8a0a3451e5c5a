"""The journal of a run: one JSON line an event, only ever appended, durable before the next step is taken."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from greystep.daemon.archive.durable import append_lines, storage_error
from greystep.daemon.failpoints import Failpoints, NoFailpoints

NAME = "journal.jsonl"
State = Literal["queued", "running", "waiting", "paused", "finished", "failed", "cancelled"]
ENDED: frozenset[State] = frozenset({"finished", "failed", "cancelled"})
_STATE_OF: dict[str, State] = {
    "accepted": "queued",
    "started": "running",
    "waiting": "waiting",
    "paused": "paused",
    "resumed": "running",
    "reopened": "queued",
    "finished": "finished",
    "failed": "failed",
    "cancelled": "cancelled",
}


@dataclass(frozen=True)
class Entry:
    """One event."""

    utc: str
    event: str
    data: dict[str, Any]


def utc_now() -> str:
    """Now, ISO 8601 in UTC, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Journal:
    """Journal of one run folder."""

    def __init__(self, folder: Path, failpoints: Failpoints | None = None) -> None:
        self.path = folder / NAME
        self._fail = failpoints or NoFailpoints()

    def append(self, event: str, **data: Any) -> None:
        """Add an event; it is on the disk when this returns.

        Raises:
            NoRoomError, ArchiveError: the disk is full or reports an error; the same call may be repeated.
        """
        self._fail.hit("run.journal.before-append")
        # Names from elsewhere may hold bytes that are no text; escaped, they stay valid JSON.
        text = json.dumps({"utc": utc_now(), "event": event, **data}, ensure_ascii=False)
        line = text.encode("utf-8", "backslashreplace") + b"\n"
        try:
            append_lines(self.path, line, 0o600)
        except OSError as exc:
            raise storage_error(exc, self.path) from exc
        self._fail.hit("run.journal.after-append")

    def entries(self) -> list[Entry]:
        """All events; torn lines are passed over."""
        try:
            text = self.path.read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return []
        out = []
        for line in text.splitlines():
            try:
                record = json.loads(line)
                out.append(Entry(str(record.pop("utc")), str(record.pop("event")), record))
            except (ValueError, KeyError, AttributeError, TypeError):
                continue
        return out

    def state(self) -> State:
        """State after the last event."""
        states = [_STATE_OF[e.event] for e in self.entries() if e.event in _STATE_OF]
        return states[-1] if states else "queued"
