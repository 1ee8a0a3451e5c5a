"""What all SCPI drivers do: identify, settings, recover, close."""

from __future__ import annotations

from typing import Any

from .port import Port
from .settings import ScpiSettings


class ScpiInstrument:
    """Base of the drivers; one instance owns one session."""

    def __init__(self, port: Port, settings: ScpiSettings, dialect: str) -> None:
        self.port = port
        self._settings = settings
        self._dialect = dialect
        self._identity = ""

    def identify(self) -> str:
        """The instrument's own words about itself."""
        self._identity = self.port.identify()
        return self._identity

    def settings(self) -> dict[str, Any]:
        """Address, dialect, identity, and what was confirmed."""
        return {
            "resource": self._settings.resource,
            "dialect": self._dialect,
            "timeout_s": self._settings.timeout_s,
            **self.confirmed(),
        }

    def confirmed(self) -> dict[str, Any]:
        """Settings as the instrument confirmed them."""
        return {}

    def begin(self) -> None:
        """Called once after opening: read what never changes."""

    def recover(self) -> None:
        """Resynchronise the session. Raises InstrumentError when the instrument can't be brought back."""
        self.port.recover()

    def close(self) -> None:
        """Release the session. Safe to call twice."""
        self.port.session.close()
