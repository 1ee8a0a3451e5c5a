"""Meter driver: luminance, power or temperature, in the words of a dialect."""

from __future__ import annotations

import math
from typing import Any, Final

from greystep.schema.errors import ReplyError
from greystep.schema.roles import MeterReading

from .instrument import ScpiInstrument
from .meter_words import MeterWords
from .port import Port
from .settings import MeterSettings, ScpiSettings

LONGEST_APERTURE_S: Final = 3600.0


class ScpiMeter(ScpiInstrument):
    """A meter behind a session."""

    def __init__(self, port: Port, settings: ScpiSettings, dialect: str, words: MeterWords) -> None:
        super().__init__(port, settings, dialect)
        self._words = words
        self._asked_s: float | None = None
        self._aperture_s: float | None = None
        self._resyncs = 0

    def confirmed(self) -> dict[str, Any]:
        """The averaging time as read back."""
        return {} if self._aperture_s is None else {"aperture_s": self._aperture_s}

    def read(self, aperture_s: float) -> MeterReading:
        """Mean over the aperture (0: as it is set). Raises RefusedError for an aperture it can't take, ReplyError for a
        value that can't be."""
        words, port = self._words, self.port
        self._set_aperture(float(aperture_s))
        sent = words.read.ask
        reply = port.session.query(sent, timeout_s=port.session.timeout_s + 2 * (self._aperture_s or aperture_s))
        value = port.read(sent, lambda: words.read.number(reply))
        if (words.low is not None and value < words.low) or (words.high is not None and value > words.high):
            raise port.distrusted(ReplyError(f"a reading of {value:g} {words.unit} can't be", received=reply), sent)
        return MeterReading(value, words.unit, self._uncertainty(value))

    def _set_aperture(self, aperture_s: float) -> None:
        words, port = self._words, self.port
        if not words.aperture or aperture_s <= 0 or (aperture_s == self._asked_s and self._resyncs == port.session.resyncs):
            return
        self._asked_s = None
        port.do(f"setting the aperture to {aperture_s:g} s", words.aperture, aperture_s=aperture_s)
        set_s = port.ask(words.aperture_set, "number") if words.aperture_set else aperture_s
        if not 0 < set_s <= LONGEST_APERTURE_S:
            sent = words.aperture_set.ask if words.aperture_set else ""
            raise port.distrusted(ReplyError(f"an aperture of {set_s:g} s can't be", received=f"{set_s:g}"), sent)
        self._aperture_s = set_s
        self._asked_s, self._resyncs = aperture_s, port.session.resyncs

    def _uncertainty(self, value: float) -> float | None:
        settings = self._settings
        if not isinstance(settings, MeterSettings) or (settings.u_relative is None and settings.u_absolute is None):
            return None
        return math.hypot((settings.u_relative or 0.0) * value, settings.u_absolute or 0.0)
