"""A power meter whose readings another program writes into a file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from greystep.schema.errors import InstrumentError
from greystep.schema.model import Model
from greystep.schema.roles import DialogueSink, MeterReading


class FileMeterSettings(Model):
    """Where the readings are."""

    file: Path
    """Holds one number, in W."""


class FileMeter:
    """Reads the number."""

    def __init__(self, settings: FileMeterSettings, dialogue: DialogueSink) -> None:
        self._settings = settings
        self._say = dialogue

    @classmethod
    def open(cls, settings: FileMeterSettings, dialogue: DialogueSink) -> FileMeter:
        """Raises InstrumentError when there is no such file."""
        if not settings.file.exists():
            raise InstrumentError("no readings here", role="power", where=str(settings.file), todo="start the logging program")
        return cls(settings, dialogue)

    def identify(self) -> str:
        """In words."""
        return "quiet file meter"

    def settings(self) -> dict[str, Any]:
        """For the archive."""
        return {"file": str(self._settings.file)}

    def recover(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to release."""

    def read(self, aperture_s: float) -> MeterReading:
        """The number in the file."""
        text = self._settings.file.read_text()
        self._say("power", "<", text.strip())
        return MeterReading(float(text), "W", 0.01)
