"""The pattern role over the page: levels and lists, the display's own refresh rate, and level 0 on every way out."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from typing import Any

from greystep.schema.errors import ConnectionLostError, InstrumentTimeoutError, RefusedError
from greystep.schema.roles import DialogueSink

from .conversation import MAX_LIST, Conversation
from .server import PageServer, new_token
from .settings import PageSettings
from .shown import announce

_ROLE = "pattern"


class PatternPage:
    """A pattern source that has no sync output: the digitiser is triggered by the light."""

    sync_output = False

    def __init__(self, settings: PageSettings, dialogue: DialogueSink, server: PageServer, talk: Conversation) -> None:
        self._settings = settings
        self._say = dialogue
        self._server = server
        self._talk = talk
        self._list = 0
        self._list_s = 0.0
        self._by_hand: dict[str, Any] = {}
        self._closed = False

    @classmethod
    def open(cls, settings: PageSettings, dialogue: DialogueSink) -> PatternPage:
        """Serve the page; returns at once. The first level waits for a person to open the page and touch Start.

        Raises:
            ConnectionLostError: the address or port can't be had.
        """
        talk = Conversation()
        server = PageServer(settings.address, settings.port, settings.token or new_token(), settings.blank_s, talk)
        try:
            server.start()
        except OSError as exc:
            raise ConnectionLostError(
                f"the pattern page can't be served: {exc.strerror or exc}",
                role=_ROLE,
                where=f"{settings.address}:{settings.port}",
                todo="give an address of this machine and a free port",
            ) from exc
        announce(server.url)
        dialogue(_ROLE, "<", f"page served at {server.origin}")
        return cls(settings, dialogue, server, talk)

    @property
    def url(self) -> str:
        """Where the page is."""
        return self._server.url

    def identify(self) -> str:
        """The browser of the display, once it is there."""
        facts = self._talk.facts()
        return f"greystep pattern page; {facts['browser'] or 'no browser yet'}; {facts['width']}x{facts['height']}"

    def settings(self) -> dict[str, Any]:
        """What the page reported; the address without its secret."""
        facts = self._talk.facts()
        keep = ("browser", "width", "height", "kept_awake", "refresh_rate_hz")
        return {"origin": self._server.origin, "sync_output": False, **{k: facts[k] for k in keep}, "by_hand": self._by_hand}

    def recover(self) -> None:
        """Order level 0 anew; the page comes back by itself."""
        self._talk.give([0])

    def close(self) -> None:
        """Level 0, then stop serving; the page stays at level 0."""
        if not self._closed:
            self._closed = True
            self.safe()
            self._server.close()

    def bits(self) -> int:
        """Bits of a level in a browser."""
        return 8

    def delay_s(self) -> float:
        """Not known: the page has no sync edge to count from."""
        return 0.0

    def allowed(self) -> Mapping[str, Sequence[str] | tuple[float, float]]:
        """The refresh rate as measured, and what the operator sets by hand."""
        self._ready()
        rate = self._rate_hz()
        tolerance = self._settings.rate_tolerance
        return {"refresh_rate_hz": (rate * (1 - tolerance), rate * (1 + tolerance))} if rate else {}

    def apply(self, settings: Mapping[str, Any]) -> None:
        """Compare the condition with what the display does; a page can't set anything.

        Raises:
            RefusedError: the measured refresh rate differs, or a setting isn't named in `by_hand`.
        """
        self._ready()
        for name, value in settings.items():
            if name == "refresh_rate_hz":
                self._check_rate(float(value))
            elif name not in self._settings.by_hand:
                raise RefusedError(
                    f"a page can't set {name!r}", role=_ROLE, todo=f'set it by hand and add by_hand = ["{name}"] in bench.toml'
                )
        self._by_hand = {k: v for k, v in settings.items() if k != "refresh_rate_hz"}

    def level(self, code: int) -> None:
        """Show one level; returns when the frame with it was given to the screen."""
        self._check([code])
        self._ready()
        seq = self._talk.give([code])
        self._say(_ROLE, ">", f"level {code}")
        if not self._talk.wait_answer(seq, self._settings.answer_s):
            raise self._silent(f"level {code}")

    def play(self, levels: Sequence[int], dwell_s: float) -> None:
        """Start a list; the page plays it frame by frame by itself."""
        self._check(levels)
        self._ready()
        self._list_s = len(levels) * dwell_s
        # One level more, a repeat of the last, so that a list of one is still a list.
        self._list = self._talk.give([*levels, levels[-1]] if len(levels) == 1 else levels, dwell_s)
        self._say(_ROLE, ">", f"play {len(levels)} levels of {dwell_s:g} s")

    def wait(self, deadline_s: float) -> bool:
        """Wait until the list has been played."""
        done = self._talk.wait_answer(self._list, deadline_s)
        self._say(_ROLE, "<", "played" if done else "not played yet")
        return done

    def keep_alive(self, timeout_s: float) -> None:
        """The page always goes to level 0 by itself after `blank_s` without an answer of the service."""

    def safe(self) -> None:
        """Order level 0 and wait a moment for it; never raises."""
        seq = self._talk.give([0])
        with contextlib.suppress(Exception):
            if self._talk.facts()["ready"]:
                self._talk.wait_answer(seq, 1.0)

    def played_s(self) -> tuple[float, ...]:
        """Frame times of the changes of the last list, since its first, in s."""
        return tuple(ms / 1e3 for ms in self._talk.facts()["played_ms"])

    def _ready(self) -> None:
        if not self._talk.wait_ready(self._settings.connect_s, self._settings.blank_s):
            raise InstrumentTimeoutError(
                "nobody has opened the page and touched Start",
                role=_ROLE,
                where=self._server.origin,
                todo=f"open {self._server.url} on the display",
                retryable=True,
            )

    def _rate_hz(self) -> float:
        return float(self._talk.facts()["refresh_rate_hz"])

    def _check_rate(self, wanted_hz: float) -> None:
        import time

        end = time.monotonic() + 10.0
        while not self._rate_hz() and time.monotonic() < end:
            time.sleep(0.05)
        found = self._rate_hz()
        if not found:
            raise InstrumentTimeoutError("the page hasn't measured the refresh rate", role=_ROLE, retryable=True)
        if abs(found - wanted_hz) > self._settings.rate_tolerance * wanted_hz:
            raise RefusedError(
                f"the display refreshes its browser at {found:.2f} Hz, not at {wanted_hz:g} Hz",
                role=_ROLE,
                todo="set the display to that rate, or write the measured rate into the plan",
            )

    def _check(self, levels: Sequence[int]) -> None:
        if not 0 < len(levels) < MAX_LIST:
            raise RefusedError(f"a list of {len(levels)} levels; 1 to {MAX_LIST - 1} can be played", role=_ROLE)
        bad = next((v for v in levels if not 0 <= int(v) <= 255), None)
        if bad is not None:
            raise RefusedError(f"level {bad}; a page shows 0 to 255", role=_ROLE)

    def _silent(self, what: str) -> InstrumentTimeoutError:
        return InstrumentTimeoutError(
            f"the page hasn't shown {what} within {self._settings.answer_s:g} s",
            role=_ROLE,
            where=self._server.origin,
            todo="is the browser still open and in front?",
            retryable=True,
        )
