"""Archive captures in a thread of its own, so that the bench never waits for the disk."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable

from greystep.daemon.archive.archive import Archive
from greystep.schema.capture import Capture, CaptureHeader
from greystep.schema.errors import ArchiveError, GreystepError, NoRoomError

_AHEAD = 2
"""Captures that may wait for the disk; more would only fill the memory."""
_TRIES = 3
_RETRY_S = 0.3
_HELD_UP_S = 2.0
"""The display need not stay lit while the disk is waited for."""


class ArchiveWriter:
    """One thread that writes what it is given, in order."""

    def __init__(
        self,
        archive: Archive,
        archived: Callable[[Capture, CaptureHeader], None],
        waiting: Callable[[str], bool],
    ) -> None:
        """
        Args:
            archive: where to.
            archived: called in the writer's thread after each durable write.
            waiting: called with the reason while the disk is full; returns False when the run must stop.
        """
        self._archive = archive
        self._archived = archived
        self._waiting = waiting
        self._queue: queue.Queue[Capture | None] = queue.Queue(_AHEAD)
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="greystep-archive", daemon=True)
        self._thread.start()

    def put(self, capture: Capture, held_up: Callable[[], None] = lambda: None) -> None:
        """Hand over a capture; waits while the writer is behind, and calls `held_up` when that takes long.

        Raises what the writer met.
        """
        begun = time.monotonic()
        told = False
        while self._error is None:
            try:
                self._queue.put(capture, timeout=0.2)
                return
            except queue.Full:
                if not told and time.monotonic() - begun > _HELD_UP_S:
                    held_up()
                    told = True
        raise self._error

    def close(self) -> None:
        """Write what was handed over, then end. Raises what the writer met."""
        while self._error is None and self._thread.is_alive():
            try:
                self._queue.put(None, timeout=0.2)
                break
            except queue.Full:
                continue
        self._thread.join()
        if self._error is not None:
            raise self._error

    def _run(self) -> None:
        try:
            while (capture := self._queue.get()) is not None:
                self._archived(capture, self._write(capture))
        except BaseException as exc:
            self._error = exc

    def _write(self, capture: Capture) -> CaptureHeader:
        tries = 0
        while True:
            try:
                return self._archive.write(capture)
            except NoRoomError as exc:
                if not self._waiting(str(exc)):
                    raise
            except GreystepError as exc:
                # A failed write may be a passing fault of the disk; each try starts with a new temporary file.
                tries += 1
                if not (isinstance(exc, ArchiveError) and exc.retryable) or tries >= _TRIES:
                    raise
                time.sleep(_RETRY_S)
