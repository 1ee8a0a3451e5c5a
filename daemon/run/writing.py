"""Archive captures in threads of their own, so that the bench never waits for the disk.

One thread packs, one makes durable, each in the order of the captures: packing needs the processor, durability the disk.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress

from greystep.daemon.archive.archive import Archive, Packed
from greystep.schema.capture import Capture, CaptureHeader
from greystep.schema.errors import ArchiveError, GreystepError, NoRoomError

_AHEAD = 1
"""Captures that may wait to be packed, and packed ones that may wait for the disk; more would only fill the memory."""
_TRIES = 3
_RETRY_S = 0.3
_HELD_UP_S = 2.0
"""The display need not stay lit while the disk is waited for."""


class ArchiveWriter:
    """Writes what it is given, in order."""

    def __init__(
        self,
        archive: Archive,
        archived: Callable[[Capture, CaptureHeader], None],
        waiting: Callable[[str], bool],
    ) -> None:
        """
        Args:
            archive: where to.
            archived: called after each durable write, in the thread that wrote.
            waiting: called with the reason while the disk is full; returns False when the run must stop.
        """
        self._archive = archive
        self._archived = archived
        self._waiting = waiting
        self._queue: queue.Queue[Capture | None] = queue.Queue(_AHEAD)
        self._packed: queue.Queue[tuple[Capture, Packed] | BaseException | None] = queue.Queue(_AHEAD)
        self._error: BaseException | None = None
        self._packer = threading.Thread(target=self._pack, name="greystep-pack", daemon=True)
        self._thread = threading.Thread(target=self._run, name="greystep-archive", daemon=True)
        self._packer.start()
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
            self._release_packer()
            raise self._error

    def _release_packer(self) -> None:
        while self._packer.is_alive():
            with suppress(queue.Empty):
                self._queue.get_nowait()
            with suppress(queue.Full):
                self._queue.put_nowait(None)
            self._packer.join(0.05)

    def _pack(self) -> None:
        """Every capture becomes its bytes; the first trouble, and the end, go the same way, behind what came before."""
        try:
            while (capture := self._queue.get()) is not None:
                if not self._hand_on((capture, self._archive.pack(capture))):
                    return
            self._hand_on(None)
        except BaseException as exc:
            self._hand_on(exc)

    def _hand_on(self, made: tuple[Capture, Packed] | BaseException | None) -> bool:
        """False when nobody takes it any more."""
        while self._error is None:
            try:
                self._packed.put(made, timeout=0.2)
                return True
            except queue.Full:
                continue
        return False

    def _run(self) -> None:
        try:
            while (made := self._packed.get()) is not None:
                if isinstance(made, BaseException):
                    raise made
                capture, packed = made
                self._archived(capture, self._write(packed))
        except BaseException as exc:
            self._error = exc

    def _write(self, packed: Packed) -> CaptureHeader:
        tries = 0
        while True:
            try:
                return self._archive.store(packed)
            except NoRoomError as exc:
                if not self._waiting(str(exc)):
                    raise
            except GreystepError as exc:
                # A failed write may be a passing fault of the disk; each try starts with a new temporary file.
                tries += 1
                if not (isinstance(exc, ArchiveError) and exc.retryable) or tries >= _TRIES:
                    raise
                time.sleep(_RETRY_S)
