"""Notices new files: events as hints, a scan as the truth."""

from .watcher import Watcher

__all__ = ["Watcher"]
