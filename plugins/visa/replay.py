"""Play a recording back as if it were the instrument: the same bytes, the same faults, without the waiting.

What a driver sends is compared with what was sent then. How often a driver asks "are you ready?" depends on the machine, so a
repeated question may be skipped or asked again; a question that was never recorded is an error. The running number in a guard
differs from run to run: it is put into the recorded reply where that reply carried its own.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from greystep.schema.errors import InputError, Problem

from .link import Link, LinkClosed, LinkError, LinkTimeout
from .recording import FORMAT, bytes_of

MOST_BYTES: Final = 1 << 30
_TOKEN: Final = re.compile(rb"@?(\d+)")


@dataclass
class Step:
    """A command and what the link did until the next one."""

    sent: bytes
    events: list[dict[str, Any]] = field(default_factory=list)


@dataclass
class Recording:
    """A recording as read from its file."""

    about: dict[str, Any]
    connections: list[list[Step]]
    """Per connection, the steps; the first one of each has nothing sent. An empty connection was refused."""
    refusals: dict[int, dict[str, Any]] = field(default_factory=dict)
    """Connections that failed, with their fault."""

    @classmethod
    def read(cls, path: Path) -> Recording:
        """Read a file. Raises InputError with the line of what can't be used."""
        try:
            if path.stat().st_size > MOST_BYTES:
                raise InputError([Problem(f"larger than {MOST_BYTES >> 20} MiB", str(path))])
            lines = path.read_text("ascii").splitlines()
        except (OSError, UnicodeDecodeError) as exc:
            raise InputError([Problem(f"can't be read: {exc}", str(path))]) from exc
        entries = [_entry(line, str(path), number) for number, line in enumerate(lines, 1)]
        if not entries or entries[0].get("recording") != FORMAT:
            raise InputError([Problem(f"no recording of format {FORMAT}", str(path), 1)])
        made = cls(entries[0], [])
        for entry in entries[1:]:
            made._take(entry)
        return made

    def _take(self, entry: dict[str, Any]) -> None:
        kind = entry["do"]
        if kind == "open":
            self.connections.append([Step(b"", [entry])])
        elif kind == "write":
            self._steps().append(Step(bytes_of(entry)))
        elif (kind == "fault" and not self.connections) or (kind == "fault" and self._last_is_closed()):
            self.refusals[len(self.connections)] = entry
            self.connections.append([])
        elif kind != "unread":
            self._steps()[-1].events.append(entry)

    def _steps(self) -> list[Step]:
        if not self.connections or not self.connections[-1]:
            self.connections.append([Step(b"", [{"do": "open", "ends": False}])])
        return self.connections[-1]

    def _last_is_closed(self) -> bool:
        steps = self.connections[-1]
        return not steps or bool(steps[-1].events and steps[-1].events[-1]["do"] == "close")


def _entry(line: str, name: str, number: int) -> dict[str, Any]:
    try:
        entry = json.loads(line)
        if not isinstance(entry, dict) or ("recording" not in entry and not isinstance(entry.get("do"), str)):
            raise ValueError("no event")
        if entry.get("do") in ("write", "read"):
            bytes_of(entry)
    except (ValueError, KeyError, TypeError, AttributeError) as exc:
        raise InputError([Problem(f"not a line of a recording: {exc}", name, number)]) from exc
    return entry


class ReplayPlayer:
    """Hands out one link after another, as the recording made them."""

    def __init__(self, recording: Recording, guard: str = "") -> None:
        """`guard` is the template with `{token}` that stands in front of commands; empty: none."""
        self._recording = recording
        self._guard = guard
        self._next = 0
        self.left_over: list[str] = []
        """Commands that were recorded and never sent again; filled when a link is closed."""

    def open(self, deadline: float) -> Link:
        """The next connection. Raises LinkError as it was recorded; LinkClosed when there are no more."""
        del deadline
        number, self._next = self._next, self._next + 1
        if number in self._recording.refusals:
            raise _fault(self._recording.refusals[number])
        if number >= len(self._recording.connections):
            raise LinkClosed("the recording has no further connection")
        return ReplayLink(self._recording.connections[number], self._guard, self)


class ReplayLink:
    """One recorded connection."""

    def __init__(self, steps: Sequence[Step], guard: str, player: ReplayPlayer) -> None:
        self._steps = steps
        self._guard = re.compile(re.escape(guard).replace(r"\{token\}", r"(\d+)").encode() + b";?") if guard else None
        self._player = player
        self._at = 0
        self._events = _merged(steps[0].events)
        self._pending = b""
        self._pending_end = False
        self.ends = bool(steps[0].events[0].get("ends"))

    def write(self, data: bytes, deadline: float) -> None:
        """See `Link`. Raises LinkClosed for a command that was not recorded."""
        del deadline
        place = self._find(data)
        if place is None:
            raise LinkClosed(f"the recording has no {data.decode('latin-1').strip()!r} from here on")
        self._at = place
        self._events = _merged(self._steps[place].events)
        self._pending = b""
        then, now = self._number(self._steps[place].sent), self._number(data)
        if then and now and self._events and self._events[0]["do"] == "read":
            self._events[0]["bytes"] = _renumbered(self._events[0]["bytes"], then, now)

    def _find(self, data: bytes) -> int | None:
        """The step of this command: the next one, else one further on or back with nothing but questions in between."""
        wanted = self._plain(data)
        for place in range(self._at + 1, len(self._steps)):
            step = self._plain(self._steps[place].sent)
            if step == wanted:
                return place
            if not _is_question(step):
                break
        if _is_question(wanted):
            for place in range(self._at, 0, -1):
                step = self._plain(self._steps[place].sent)
                if step == wanted:
                    return place
                if not _is_question(step):
                    break
        return None

    def _plain(self, sent: bytes) -> bytes:
        return self._guard.sub(b"", sent, count=1) if self._guard else sent

    def _number(self, sent: bytes) -> bytes:
        found = self._guard.match(sent) if self._guard else None
        return found[1] if found else b""

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        """See `Link`. A time-out comes at once."""
        del deadline
        while not self._pending:
            if not self._events:
                raise LinkTimeout("no answer in time")
            entry = self._events.pop(0)
            if entry["do"] == "fault":
                raise _fault(entry)
            if entry["do"] != "read":
                continue
            self._pending, self._pending_end = entry["bytes"], bool(entry.get("end"))
            if not self._pending:
                return 0, self._pending_end
        count = min(len(buffer), len(self._pending))
        buffer[:count] = self._pending[:count]
        self._pending = self._pending[count:]
        return count, self._pending_end and not self._pending

    def unread(self) -> bool:
        """See `Link`."""
        return False

    def clear(self, deadline: float) -> bool:
        """See `Link`."""
        del deadline
        for place in range(self._at, len(self._steps)):
            for k, entry in enumerate(self._steps[place].events):
                if entry["do"] == "clear":
                    self._at, self._pending = place, b""
                    self._events = _merged(self._steps[place].events[k + 1 :])
                    return bool(entry["done"])
        return False

    def kill(self) -> None:
        """Nothing hangs here."""

    def close(self) -> None:
        """See `Link`."""
        self._player.left_over += [step.sent.decode("latin-1").strip() for step in self._steps[self._at + 1 :]]
        self._at = len(self._steps)


def _is_question(command: bytes) -> bool:
    return b"?" in command or command.strip() in (b"", b"state")


def _merged(events: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Reads that follow each other within one message as one: how the bytes were cut up then does not matter."""
    found: list[dict[str, Any]] = []
    for entry in events:
        if entry["do"] != "read":
            found.append(dict(entry))
        elif found and found[-1]["do"] == "read" and not found[-1].get("end"):
            found[-1] = {**found[-1], "bytes": found[-1]["bytes"] + bytes_of(entry), "end": bool(entry.get("end"))}
        else:
            found.append({"do": "read", "bytes": bytes_of(entry), "end": bool(entry.get("end"))})
    return found


def _renumbered(reply: bytes, then: bytes, now: bytes) -> bytes:
    """The reply with the number of now, where it carried that of then; a stale reply keeps its own."""
    found = _TOKEN.match(reply)
    return reply[: found.start(1)] + now + reply[found.end(1) :] if found and found[1] == then else reply


def _fault(entry: dict[str, Any]) -> LinkError:
    kinds = {"timeout": LinkTimeout, "closed": LinkClosed}
    return kinds.get(str(entry.get("kind")), LinkError)(str(entry.get("what", "recorded fault")))
