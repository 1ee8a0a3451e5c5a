"""Structured logs: one JSON line an event in the home's log file, rotated; readable lines on the terminal."""

from __future__ import annotations

import json
import logging
import logging.handlers
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

NAME: Final = "greystep"
_BYTES: Final = 5_000_000
_KEPT: Final = 5
_PLAIN: Final = logging.LogRecord("", 0, "", 0, "", (), None).__dict__.keys() | {"message", "asctime", "taskName"}


class JsonLines(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """utc, level, event and the fields of the event."""
        fields = {k: v for k, v in record.__dict__.items() if k not in _PLAIN}
        utc = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        out = {"utc": utc.replace("+00:00", "Z"), "level": record.levelname.lower(), "event": record.getMessage(), **fields}
        if record.exc_info:
            out["trace"] = self.formatException(record.exc_info)
        return json.dumps(out, ensure_ascii=False, default=str)


class Readable(logging.Formatter):
    """For people."""

    def format(self, record: logging.LogRecord) -> str:
        """Time, event, fields."""
        fields = " ".join(f"{k}={v}" for k, v in record.__dict__.items() if k not in _PLAIN)
        clock = datetime.fromtimestamp(record.created).astimezone().strftime("%H:%M:%S")
        mark = "" if record.levelno < logging.WARNING else f"{record.levelname.lower()}: "
        return f"{clock} {mark}{record.getMessage()}{'  ' + fields if fields else ''}"


class Log:
    """What the service calls: `log(event, level=..., **fields)`."""

    def __init__(self, folder: Path | None, *, terminal: bool = True) -> None:
        self._logger = logging.Logger(NAME, logging.INFO)
        if folder is not None:
            file = logging.handlers.RotatingFileHandler(
                folder / "greystep.jsonl",
                maxBytes=_BYTES,
                backupCount=_KEPT,
                encoding="utf-8",
                errors="backslashreplace",
                delay=True,
            )
            file.setFormatter(JsonLines())
            self._logger.addHandler(file)
        if terminal:
            screen = logging.StreamHandler(sys.stderr)
            screen.setFormatter(Readable())
            self._logger.addHandler(screen)
        # A full disk must not stop the service: a line that can't be written is dropped.
        logging.raiseExceptions = False

    def __call__(self, event: str, *, level: str = "info", **fields: Any) -> None:
        """Write an event."""
        self._logger.log(getattr(logging, level.upper()), event, extra=fields)

    def close(self) -> None:
        """Close the file."""
        for handler in self._logger.handlers:
            handler.close()
