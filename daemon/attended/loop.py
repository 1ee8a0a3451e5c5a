"""The attended session at work: the state machine's orders carried out at the bench, one after another."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Final, Literal

from greystep.schema.errors import InstrumentError
from greystep.schema.roles import Record

from . import session as machine
from .driven import DrivenHand
from .driving import LightBench, Taken
from .grid import Grid
from .recognise import nearest
from .session import Answer, Group, Order, Session
from .store import Store
from .terminal import Terminal

_POLL_S: Final = 0.15
_STUMBLES: Final = 3
IDLE_S: Final = 3.0
"""Without a trigger for this long, the light is looked at: the operator may have gone the other way."""
Ending = Literal["done", "paused"]


class AttendedLoop:
    """Runs one session until it is done or paused."""

    def __init__(
        self,
        session: Session,
        bench: LightBench,
        store: Store,
        terminal: Terminal,
        idle_s: float = IDLE_S,
        hand: DrivenHand | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Set up.

        Args:
            session: from `restored`.
            bench: the digitiser.
            store: where records are kept.
            terminal: the operator's.
            idle_s: see `IDLE_S`.
            hand: changes the levels instead of a person.
            clock: monotonic seconds.
        """
        self._hand = hand
        self._arming = 0
        self._idle_s = idle_s
        self._session = session
        self._bench = bench
        self._store = store
        self._terminal = terminal
        self._clock = clock
        self._orders: list[Order] = []
        self._armed = False
        self._quiet_since = 0.0
        self._last: Taken | None = None
        self._last_light = 0.0
        self._stumbles = 0

    def run(self) -> Ending:
        """Until the operator pauses, the input ends, or everything is taken."""
        self._take(machine.begin(self._session))
        while True:
            while self._orders:
                ending = self._do(self._orders.pop(0))
                if ending:
                    self._bench.digitiser.abort()
                    return ending
            try:
                text = self._terminal.line(_POLL_S if not self._armed else 0.0)
            except EOFError:
                text = "p"
            if text is None and self._hand is not None:
                text = self._hand.act(self._session, self._arming)
            if text is not None:
                self._disarm()
                self._key(text)
            elif self._armed:
                self._watch()

    def _take(self, answer: Answer) -> None:
        self._session, more = answer
        self._orders += more

    def _key(self, text: str) -> None:
        before = self._session.group.grid.wanted
        self._take(machine.on_key(self._session, text))
        wanted = self._session.group.grid.wanted
        if wanted != before and wanted:
            self._store.note("repeats", group=self._session.group.key, repeats=max(wanted.values()))
        if self._session.phase == "steps" and not any(o.do in ("arm", "pause", "end") for o in self._orders):
            self._orders.append(Order("arm", level=-1 if self._session.level is None else self._session.level))

    def _do(self, order: Order) -> Ending | None:
        group = self._session.group
        if order.do == "say":
            self._terminal.say(order.text)
        elif order.do == "hold":
            self._hold()
        elif order.do == "arm":
            self._arm(order.level)
        elif order.do == "keep_held" and self._last is not None:
            self._store.keep("held", group.key, (order.level, order.level), self._last_light, self._last)
        elif order.do == "keep_step" and self._last is not None:
            self._store.keep("step", group.key, order.pair, 0.0, self._last)
        elif order.do == "drop_step":
            self._store.note("undo", group=group.key)
        elif order.do == "next_group":
            self._store.note("group")
        elif order.do == "pause":
            return "paused"
        elif order.do == "end":
            return "done"
        return None

    def _hold(self) -> None:
        table = self._session.group.table
        if self._session.phase == "bright" and not self._known_range():
            self._bench.autorange()
            self._store.note("range", group=self._session.group.key, range_v=self._bench.range_v, offset_v=self._bench.offset_v)
        seen, self._last = self._bench.hold(table.get(min(self._session.group.steady), 0.0))
        self._last_light = seen.light
        if self._session.phase == "bright" and seen.ripple > machine.MAX_RIPPLE_FOR_TRIGGER:
            self._bench.find_ripple()
        self._take(machine.on_held(self._session, seen))

    def _known_range(self) -> bool:
        known = self._store.range_of(self._session.group.key) if self._session.group.table else None
        if known:
            self._bench.range_v, self._bench.offset_v = known
        return known is not None

    def _arm(self, level: int) -> None:
        s = self._session
        self._armed, self._quiet_since = True, self._clock()
        self._arming += 1
        if level < 0 or level not in s.group.table:
            return  # no level of the plan stands there: `_watch` looks again in a moment
        self._bench.arm(level, s.group.table, s.noise, up=s.up, free=s.free_running)

    def _look(self) -> int | None:
        s = self._session
        return nearest(self._bench.peek(), s.group.table, s.noise / 10)

    def _watch(self) -> None:
        s = self._session
        if s.level is None:
            time.sleep(_POLL_S)
            self._take(machine.on_idle(s, self._look()))
            return
        record = self._poll()
        if record is not None:
            self._armed = False
            judged = self._bench.judge(record, s.group.table, free=s.free_running)
            if judged is None:  # nothing changed within the record; between two records something may have
                level = nearest(self._bench.mean(record), s.group.table, s.noise / 10)
                self._take(machine.on_idle(s, level))
                return
            seen, self._last = judged
            self._take(machine.on_step(s, seen))
        elif self._armed and self._clock() - self._quiet_since > self._idle_s:
            self._disarm()
            self._take(machine.on_idle(s, self._look()))

    def _poll(self) -> Record | None:
        """The record, if it came. A digitiser that stumbled is brought back; one that stays away ends the session."""
        try:
            record = self._bench.poll(_POLL_S)
        except InstrumentError as exc:
            self._stumbles += 1
            if not exc.retryable or self._stumbles > _STUMBLES:
                raise
            self._terminal.say(f"The digitiser stumbled ({exc}); going on.")
            self._bench.digitiser.recover()
            self._armed = False
            self._orders.append(Order("arm", level=-1 if self._session.level is None else self._session.level))
            return None
        self._stumbles = 0
        return record

    def _disarm(self) -> None:
        if self._armed:
            self._bench.digitiser.abort()
            self._armed = False


def restored(groups: tuple[Group, ...], store: Store) -> Session:
    """The session as it stood when it was paused."""
    repeats = store.repeats()
    made = []
    for group in groups:
        grid: Grid = group.grid if repeats is None else group.grid.with_repeats(repeats)
        table = dict(group.table)
        for kept in store.kept(group.key):
            if kept.event == "held":
                table[kept.to_level] = kept.light
            else:
                grid = grid.take((kept.from_level, kept.to_level))
        made.append(replace(group, grid=grid, table=table))
    done = store.groups_done()
    return Session(tuple(made), min(done, len(made) - 1))
