"""File events as hints. They may come twice, late or never; whoever listens also scans."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

Observer = Literal["native", "polling", "none"]


class Watcher:
    """Watches folders and remembers which of them changed, and which files in them."""

    def __init__(
        self, folders: Sequence[Path], kind: Observer = "native", *, suffixes: tuple[str, ...] = (".h5", ".toml")
    ) -> None:
        """
        Args:
            folders: watched with everything below them.
            kind: `native` uses the system's events, `polling` looks by itself (network shares), `none` leaves all to the scan.
            suffixes: endings of the names that matter.
        """
        self._folders = tuple(folders)
        self._kind = kind
        self._suffixes = suffixes
        self._lock = threading.Lock()
        self._paths: set[str] = set()
        self._overflow = False
        self.wake = threading.Event()
        """Set when something happened."""
        self._observer: Any = None

    def start(self) -> None:
        """Begin. A system without events, or out of watches, falls back to polling."""
        if self._kind == "none":
            return
        try:
            self._observe(self._kind)
        except OSError:
            self._observe("polling")

    def _observe(self, kind: Observer) -> None:
        from watchdog.events import FileClosedEvent, FileCreatedEvent, FileMovedEvent
        from watchdog.observers import Observer as NativeObserver
        from watchdog.observers.polling import PollingObserver

        # watchdog warns when a new folder is told to it twice, by an event and by its own walk; it is harmless and frequent.
        warnings.filterwarnings("ignore", message="Callback with id", category=RuntimeWarning)
        observer = PollingObserver(timeout=1.0) if kind == "polling" else NativeObserver()
        handler = _handler(self)
        wanted = [FileCreatedEvent, FileMovedEvent, FileClosedEvent, *_folder_events()]
        for folder in self._folders:
            # With its defaults watchdog lost 4,590 of 10,000 files in a burst; with a filter for these events none.
            observer.schedule(handler, str(folder), recursive=True, event_filter=wanted)
        observer.start()
        self._observer = observer

    def note(self, path: str, is_folder: bool) -> None:
        """Remember a hint; called from the observer's threads, must never raise."""
        with self._lock:
            if is_folder or len(self._paths) > 100_000:
                self._overflow = True  # files may have been inside already: only a scan can tell
            elif path.endswith(self._suffixes) and "/." not in path:
                self._paths.add(path)
            else:
                return
        self.wake.set()

    def take(self) -> tuple[list[Path], bool]:
        """Paths since the last call, sorted, and whether a scan is needed because events can't tell all."""
        with self._lock:
            paths, self._paths = sorted(self._paths), set()
            overflow, self._overflow = self._overflow, False
        self.wake.clear()
        return [Path(p) for p in paths], overflow

    def alive(self) -> bool:
        """Whether events can still come."""
        return self._observer is not None and self._observer.is_alive()

    def stop(self) -> None:
        """End the threads."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(5)
            self._observer = None


def _folder_events() -> list[Any]:
    from watchdog.events import DirCreatedEvent, DirMovedEvent

    return [DirCreatedEvent, DirMovedEvent]


def _handler(watcher: Watcher) -> Any:
    from watchdog.events import FileSystemEvent, FileSystemEventHandler

    class Handler(FileSystemEventHandler):
        """An exception in a handler would end the observer; there is nothing here that could raise one."""

        def on_any_event(self, event: FileSystemEvent) -> None:
            for path in (event.src_path, getattr(event, "dest_path", "")):
                if path:
                    watcher.note(path if isinstance(path, str) else path.decode("utf-8", "replace"), event.is_directory)

    return Handler()
