"""Record everything that goes over a link, with its times and faults, so that what was seen on hardware becomes a test.

The file has one JSON object a line. The first tells what was recorded; the others are `{"t": seconds, "do": ...}`:
`open`, `write` and `read` with the bytes as `text` (where they are plain text) or base64 `data`, `end` where a message
ended, `fault` with what the link reported, `clear`, `close`.
"""

from __future__ import annotations

import base64
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TextIO

from greystep.schema.errors import InstrumentError

from .link import Link, LinkClosed, LinkError, LinkTimeout

FORMAT: Final = 1
Opener = Callable[[float], Link]


class Recorder:
    """The file. One session's links write to it, one after another."""

    def __init__(self, path: Path, about: dict[str, Any]) -> None:
        """Start a file. Raises OSError; a file that is there is never overwritten but gets a number behind its name."""
        self.path, self._file = _fresh(path)
        self._started = time.monotonic()
        self._line({"recording": FORMAT, **about})

    def note(self, do: str, **what: Any) -> None:
        """Add an event."""
        self._line({"t": round(time.monotonic() - self._started, 6), "do": do, **what})

    def bytes_(self, do: str, data: bytes | memoryview, **what: Any) -> None:
        """Add an event with bytes."""
        self.note(do, **_written(bytes(data)), **what)

    def close(self) -> None:
        """Close the file. Safe to call twice."""
        self._file.close()

    def _line(self, entry: dict[str, Any]) -> None:
        if not self._file.closed:
            self._file.write(json.dumps(entry, separators=(",", ":")) + "\n")
            self._file.flush()  # what led to a crash must be in the file


def start_recorder(path: Path, about: dict[str, Any]) -> Recorder:
    """Start a recording. Raises InstrumentError when the file can't be written."""
    try:
        return Recorder(path.expanduser(), about)
    except OSError as exc:
        what = f"the recording can't be written: {exc.strerror or exc}"
        raise InstrumentError(what, role=str(about["role"]), where=str(path), todo="choose another file for `record`") from exc


def _fresh(path: Path) -> tuple[Path, TextIO]:
    for number in range(1, 10_000):
        place = path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")
        try:
            return place, place.open("x", encoding="ascii")
        except FileExistsError:
            continue
    raise FileExistsError(f"{path}: 10,000 recordings of that name")


def _written(data: bytes) -> dict[str, str]:
    if data.isascii() and all(byte >= 0x20 or byte in (9, 10, 13) for byte in data):
        return {"text": data.decode("ascii")}
    return {"data": base64.b64encode(data).decode("ascii")}


def bytes_of(entry: dict[str, Any]) -> bytes:
    """The bytes of an event."""
    return entry["text"].encode("ascii") if "text" in entry else base64.b64decode(entry["data"], validate=True)


class RecordingLink:
    """Another link, recorded."""

    def __init__(self, link: Link, recorder: Recorder) -> None:
        self._link = link
        self._recorder = recorder

    @property
    def ends(self) -> bool:
        """See `Link`."""
        return self._link.ends

    def write(self, data: bytes, deadline: float) -> None:
        """See `Link`."""
        self._recorder.bytes_("write", data)
        self._watched(lambda: self._link.write(data, deadline))

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        """See `Link`."""
        count, end = self._watched(lambda: self._link.read_into(buffer, deadline))
        self._recorder.bytes_("read", buffer[:count], **({"end": True} if end else {}))
        return count, end

    def unread(self) -> bool:
        """See `Link`."""
        waiting: bool = self._watched(self._link.unread)
        if waiting:
            self._recorder.note("unread")
        return waiting

    def clear(self, deadline: float) -> bool:
        """See `Link`."""
        done: bool = self._watched(lambda: self._link.clear(deadline))
        self._recorder.note("clear", done=done)
        return done

    def kill(self) -> None:
        """See `Link`."""
        self._link.kill()

    def close(self) -> None:
        """See `Link`."""
        self._recorder.note("close")
        self._link.close()

    def _watched(self, call: Callable[[], Any]) -> Any:
        try:
            return call()
        except LinkError as exc:
            self._recorder.note("fault", kind=_kind(exc), what=str(exc))
            raise


def _kind(error: LinkError) -> str:
    return "timeout" if isinstance(error, LinkTimeout) else "closed" if isinstance(error, LinkClosed) else "broken"


def recording_opener(opener: Opener, recorder: Recorder) -> Opener:
    """Opens links that are recorded."""

    def open_recorded(deadline: float) -> Link:
        try:
            link = opener(deadline)
        except LinkError as exc:
            recorder.note("fault", kind=_kind(exc), what=str(exc))
            raise
        recorder.note("open", ends=link.ends)
        return RecordingLink(link, recorder)

    return open_recorded
