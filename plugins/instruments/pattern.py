"""Pattern driver: levels and lists of levels on the DUT, and the DUT's settings, in the words of a dialect."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from greystep.plugins.visa.polling import until
from greystep.schema.errors import GreystepError, RefusedError, ReplyError

from .ask import parse_number
from .instrument import ScpiInstrument
from .pattern_words import PatternWords
from .port import Port
from .settings import ScpiSettings

_NAME: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_.:-]{0,63}")
_VALUE: Final = re.compile(r"[ -:<-~]{1,200}")
Allowed = Mapping[str, Sequence[str] | tuple[float, float]]


class ScpiPattern(ScpiInstrument):
    """A pattern source behind a session."""

    def __init__(self, port: Port, settings: ScpiSettings, dialect: str, words: PatternWords) -> None:
        super().__init__(port, settings, dialect)
        self._words = words
        self._bits = 8
        self._delay_s = 0.0
        self._allowed: Allowed | None = None
        self._applied: dict[str, str] = {}

    def begin(self) -> None:
        """Read depth and delay."""
        self._bits = self._value(self._words.bits, "whole")
        self._delay_s = self._value(self._words.delay_s, "number")
        if not 1 <= self._bits <= 16 or not 0 <= self._delay_s <= 10:
            what = f"a depth of {self._bits} bits with a delay of {self._delay_s:g} s can't be"
            raise self.port.distrusted(ReplyError(what), "")

    def bits(self) -> int:
        """Bits of a level."""
        return self._bits

    def delay_s(self) -> float:
        """Its own delay from the sync edge to the wire."""
        return self._delay_s

    def confirmed(self) -> dict[str, Any]:
        """Depth, delay and the DUT's settings as read back."""
        return {"bits": self._bits, "delay_s": self._delay_s, "applied": dict(self._applied)}

    def allowed(self) -> Allowed:
        """Settings of the DUT: name -> allowed values, or (lowest, highest)."""
        if self._allowed is None:
            names = self._names()
            self._allowed = {name: self._values(name) for name in names}
        return self._allowed

    def apply(self, settings: Mapping[str, Any]) -> None:
        """Set the DUT's condition. Raises RefusedError naming the setting; all are looked at before the first is sent."""
        words, port = self._words, self.port
        known = self.allowed()
        texts = {name: self._fitting(name, value, known) for name, value in settings.items()}
        for name, text in texts.items():
            port.do(f"setting {name} to {text}", words.set, name=name, value=text)
            got = text if words.get is None else port.ask(words.get, "text", name=name)
            if not _same(got, text):
                raise RefusedError(f"{name} was set to {text} but reads {got}", role=port.role, received=got)
            self._applied[name] = got
        settled = words.settled
        if texts and settled is not None and not until(words.settle_s, lambda: port.holds(settled, noted=False)):
            raise port.late(f"the DUT did not settle within {words.settle_s:g} s after {', '.join(sorted(texts))} was set")

    def level(self, code: int) -> None:
        """Drive one level now. Raises RefusedError."""
        self._check_level(code)
        self.port.do(f"driving level {code}", self._words.level, code=code)

    def play(self, levels: Sequence[int], dwell_s: float) -> None:
        """Start a list of levels, each held for `dwell_s`. Raises RefusedError."""
        words, port = self._words, self.port
        if not 0 < len(levels) <= words.list_limit:
            raise RefusedError(f"a list of {len(levels)} levels; it holds 1 to {words.list_limit}", role=port.role)
        for code in levels:
            self._check_level(code)
        codes = words.separator.join(str(int(code)) for code in levels)
        port.do("loading the list of levels", words.list, codes=codes, dwell_s=float(dwell_s), count=len(levels))
        port.do("starting the list of levels", words.play)

    def wait(self, deadline_s: float) -> bool:
        """Wait until the list has been played; False when the deadline passed."""
        return until(deadline_s, lambda: self.port.holds(self._words.played, noted=False))

    def keep_alive(self, timeout_s: float) -> None:
        """Ask for level 0 by itself when no command comes for `timeout_s` (0: off); nothing where it can't."""
        self.port.do("setting the dead-man time-out", self._words.keep_alive, timeout_s=float(timeout_s))

    def safe(self) -> None:
        """Stop any list and drive level 0, if need be after a resynchronisation. Raises InstrumentError when both fail."""
        try:
            self._dark()
        except GreystepError:
            with contextlib.suppress(GreystepError):
                self.port.recover()
            self._dark()

    def recover(self) -> None:
        """Resynchronise and stop; the DUT's settings must be applied again."""
        super().recover()
        self._applied.clear()
        self.port.do("stopping the list", self._words.stop)

    def close(self) -> None:
        """Drive level 0 where that is still possible, and release the session."""
        if not self.port.session.closed and not self.port.session.doubt:
            with contextlib.suppress(GreystepError):
                self._dark()
        super().close()

    def _dark(self) -> None:
        # Level 0 is sent in any case: a source that refuses to stop an idle list must still go dark.
        try:
            self.port.send(self._words.stop)
        finally:
            self.port.send(self._words.level, code=0)
        self.port.ready()
        self.port.check("driving level 0")

    def _check_level(self, code: int) -> None:
        if isinstance(code, bool) or int(code) != code or not 0 <= code < 1 << self._bits:
            raise RefusedError(f"level {code} is not in 0..{(1 << self._bits) - 1}", role=self.port.role)

    def _value(self, value: Any, kind: str) -> Any:
        return self.port.ask(value, kind) if hasattr(value, "ask") else value

    def _names(self) -> list[str]:
        if self._words.names is None:
            return []
        names: list[str] = self.port.ask(self._words.names, "items")
        # A name goes back to the instrument within a command: it must not be able to end that command.
        if strange := [name for name in names if not _NAME.fullmatch(name)]:
            raise self.port.distrusted(ReplyError(f"{strange[0]!r} is no name of a setting"), self._words.names.ask)
        return names

    def _values(self, name: str) -> Sequence[str] | tuple[float, float]:
        if self._words.values is None:
            return ()
        ask = self._words.values
        text = self.port.ask(ask, "text", name=name)
        low, colon, high = str(text).partition(":")
        if colon and ask.separator not in text:
            return self.port.read(ask.ask, lambda: (parse_number(low, text), parse_number(high, text)))
        return tuple(item.strip().strip("\"'") for item in str(text).split(ask.separator))

    def _fitting(self, name: str, value: Any, known: Allowed) -> str:
        text = _text(value)
        if not _VALUE.fullmatch(text):
            raise RefusedError(f"{name} = {text[:40]!r} can't be sent: a value is plain text without ;", role=self.port.role)
        if name not in known:
            offer = ", ".join(sorted(known)) or "none"
            raise RefusedError(f"the DUT has no setting {name!r}; it has: {offer}", role=self.port.role)
        values = known[name]
        if len(values) == 2 and not isinstance(values[0], str):
            low, high = float(values[0]), float(values[1])
            if not _is_number(text) or not low <= float(text) <= high:
                raise RefusedError(f"{name} = {text} is not between {low:g} and {high:g}", role=self.port.role)
            return text
        for allowed in values:
            if _same(str(allowed), text):
                return str(allowed)
        if values:
            offer = ", ".join(map(str, values))
            raise RefusedError(f"{name} = {text} is not one of: {offer}", role=self.port.role)
        return text


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _is_number(text: str) -> bool:
    try:
        parse_number(text)
    except GreystepError:
        return False
    return True


def _same(one: str, other: str) -> bool:
    if _is_number(one) and _is_number(other):
        a, b = float(one), float(other)
        return abs(a - b) <= 1e-6 * max(abs(a), abs(b))
    words = {"1": "on", "0": "off", "true": "on", "false": "off"}
    a_, b_ = one.strip().casefold(), other.strip().casefold()
    return words.get(a_, a_) == words.get(b_, b_)
