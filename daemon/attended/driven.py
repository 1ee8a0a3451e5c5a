"""A pattern source without a sync output (such as the pattern page) in the place of the person at the device.

The digitiser is triggered by the light, as for a person; only who changes the level is different.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

from greystep.schema.errors import InstrumentError
from greystep.schema.roles import PatternSource

from .session import Session, held_level

_READY_S: Final = 0.05
"""From arming to the change, beside the pretrigger."""
_TRIES: Final = 8


class DrivenHand:
    """Does what the session would ask a person for."""

    def __init__(
        self, pattern: PatternSource, pretrigger_s: float, settle_s: float, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        """Args: pattern: the source; pretrigger_s: of the records; settle_s: wait for held levels; sleep: host seconds."""
        self.pattern = pattern
        self._pretrigger_s = pretrigger_s
        self._settle_s = settle_s
        self._sleep = sleep
        self._acted = -1
        self._tries: dict[object, int] = {}

    def act(self, session: Session, arming: int) -> str | None:
        """Show what is waited for; returns the line that a person would type, None when nothing is to be typed.

        Args:
            session: as it stands.
            arming: number of the present arming, so that each is answered once.

        Raises:
            InstrumentError: the source failed, or the same level was asked for too often.
        """
        if session.phase == "condition":
            self.pattern.apply(session.group.condition.driven())
            return ""
        if session.phase in ("bright", "dark", "levels"):
            level = held_level(session)
            self._count((session.at, session.phase, level))
            self.pattern.level(level)
            self._sleep(self._settle_s)
            return ""
        if session.phase == "steps" and arming != self._acted:
            self._acted = arming
            self._count((session.at, len(session.group.grid.taken)))
            self._sleep(self._pretrigger_s + _READY_S)
            self.pattern.level(self._next(session))
        return None

    def _next(self, session: Session) -> int:
        grid, level = session.group.grid, session.level
        if level is None:
            return grid.levels[0]
        wanted = grid.next_levels(level, up=session.up) or grid.next_levels(level, up=not session.up) or grid.way(level)
        return wanted[0]

    def _count(self, what: object) -> None:
        self._tries[what] = self._tries.get(what, 0) + 1
        if self._tries[what] > _TRIES:
            raise InstrumentError(
                "the light doesn't follow the levels", role="pattern", todo="check the sensor's place and the level page"
            )
