"""Pattern source: drives levels on the display, gives a sync edge for each, and sets the display's condition."""

from __future__ import annotations

from collections.abc import Iterable

from ..scpi.errors import ScpiError
from ..scpi.instrument import Identity, Instrument
from ..scpi.parameters import SECONDS, Boolean, Number, Numbers, Text, number_text
from ..scpi.tree import Command, setting
from ..world import SOURCE_DELAY_S, Sent, World
from .condition import allowed_values, parse_setting, setting_names, setting_text

IDENTITY = Identity("Greystep Virtual Bench", "Pattern Source VP1", "VB-P-0001", "1.0")
LIST_MOST = 4096
SETTLING, SWEEPING = 2, 8
"""Operation condition: the display changes its mode; the list is playing (SCPI-1999 volume 1, 9.3)."""

DWELL = Number(1e-3, 600.0, 0.5, SECONDS)
WATCHDOG = Number(0.0, 3600.0, 0.0, SECONDS)


class PatternSource(Instrument):
    """The source has its own frames, which the display follows; a level goes out with the next frame.

    The watchdog counts host seconds: it guards against a host that died, however fast simulated time runs. A list
    that plays is bounded and counts as activity; the watchdog starts when it is over.
    """

    def __init__(self, world: World) -> None:
        self.world = world
        self._levels: list[int] = []
        self._dwell_s = DWELL.default
        self._watchdog_s = 0.0
        self._locked = True
        self._list_ends_s = float("-inf")
        self.watchdog_fired = 0
        super().__init__("pattern", IDENTITY, world.clock)
        world.on_mount.append(self.stop)

    def commands(self) -> Iterable[Command]:
        level = Number(0, 255, 0, integer=True)
        return (
            setting("SOURce:LEVel", level, self._current_level, self._send_now),
            Command("SOURce:DEPTh", query=lambda: str(self.world.mounted.spec.depth_bits)),
            Command("SOURce:LIST:LEVel", self._put_list, self._get_list, (Numbers(level, LIST_MOST),)),
            Command("SOURce:LIST:COUNt", query=lambda: str(len(self._levels))),
            setting("SOURce:LIST:DWELl", DWELL, lambda: self._dwell_s, self._put_dwell),
            setting("SOURce:WATChdog", WATCHDOG, lambda: self._watchdog_s, self._put_watchdog),
            Command("SOURce:SYNC:LOCK", self._put_lock, lambda: str(int(self._locked)), (Boolean(),)),
            Command("SOURce:DELay", query=lambda: number_text(SOURCE_DELAY_S)),
            Command("INITiate[:IMMediate]", self._play),
            Command("ABORt", self.stop),
            Command("DISPlay:SETTing:CATalog", query=lambda: ",".join(setting_names(self.world.mounted.spec))),
            Command(
                "DISPlay:SETTing:VALues",
                query=lambda name: allowed_values(self.world.mounted.spec, name),
                query_parameters=(Text(),),
            ),
            Command("DISPlay:SETTing", self._set_display, self._get_display, (Text(), Text()), (Text(),)),
        )

    def reset(self) -> None:
        self.stop()
        self._levels, self._dwell_s, self._watchdog_s, self._locked = [], DWELL.default, 0.0, True
        self._send_now(0.0)

    def busy_until(self, now_s: float) -> float:
        self.world.advance()
        planned = self.world.wire.planned
        ends_s = planned[-1].edge_s if planned else now_s
        return max(ends_s, self._list_ends_s, self.world.mounted.busy_until(now_s))

    def next_event(self, now_s: float) -> float:
        planned = self.world.wire.planned
        return planned[0].edge_s if planned else self.busy_until(now_s)

    def condition(self, now_s: float) -> int:
        now_s = self.world.advance()
        settling = SETTLING if self.world.mounted.busy_until(now_s) > now_s else 0
        return settling | (SWEEPING if self._list_ends_s > now_s else 0)

    def stop(self) -> None:
        """Drop what is planned; the level sent last stays."""
        self.world.advance()
        self.world.wire.planned.clear()
        self._list_ends_s = float("-inf")
        self.clock.announce()

    def check_watchdog(self) -> None:
        """Drive level 0 when the host has been silent for too long (called from time to time)."""
        if not self._watchdog_s:
            return
        now_s = self.world.advance()
        if self._list_ends_s > now_s:
            self.last_command_host_s = self.clock.host_now()
        silent_s = self.clock.host_now() - self.last_command_host_s
        if silent_s >= self._watchdog_s and self._current_level() != 0:
            self.watchdog_fired += 1
            self._send_now(0.0)

    def _current_level(self) -> int:
        self.world.advance()
        planned = self.world.wire.planned
        return planned[-1].level if planned and self._list_ends_s == float("-inf") else self.world.mounted.level

    def _send_now(self, level: float) -> None:
        """A level at once; a list that plays is dropped: level 0 must always get through."""
        self.stop()
        self.world.wire.planned = [self.world.place(self.clock.now(), int(level), self._locked, self._last_sent())]
        self.world.advance()
        self.clock.announce()

    def _last_sent(self) -> Sent | None:
        return self.world.wire.sent[-1] if self.world.wire.sent else None

    def _put_list(self, levels: list[float]) -> None:
        self._levels = [int(level) for level in levels]

    def _get_list(self) -> str:
        return ",".join(map(str, self._levels)) or "0"

    def _put_dwell(self, dwell_s: float) -> None:
        self._dwell_s = dwell_s

    def _put_watchdog(self, watchdog_s: float) -> None:
        self._watchdog_s = watchdog_s

    def _put_lock(self, locked: bool) -> None:
        self._locked = locked

    def _play(self) -> None:
        """Plan the whole list. Raises -213 while one plays, -221 without one."""
        now_s = self.world.advance()
        if self._list_ends_s > now_s:
            raise ScpiError(-213)
        if not self._levels:
            raise ScpiError(-221, "the list is empty")
        world, last = self.world, self._last_sent()
        start_s = max(now_s, world.mounted.ready_s)
        if world.wire.planned:
            last = world.wire.planned[-1]
            start_s = max(start_s, last.frame_s)
        plan = []
        for index, level in enumerate(self._levels):
            due_s = start_s + index * self._dwell_s
            if last is not None:
                # A dwell under one frame can't be shown: each level gets a frame of its own.
                due_s = max(due_s, last.frame_s + 0.5 * world.mounted.display.frame_s - SOURCE_DELAY_S)
            last = world.place(due_s, level, self._locked, last)
            plan.append(last)
        world.wire.planned += plan
        self._list_ends_s = plan[-1].edge_s + self._dwell_s
        self.clock.announce()

    def _set_display(self, name: str, value: str) -> None:
        now_s = self.world.advance()
        if self._list_ends_s > now_s:
            raise ScpiError(-221, "a list is playing")
        key, parsed = parse_setting(self.world.mounted.spec, name, value)
        waiting = self.world.wire.planned
        self.world.mounted.change(now_s, **{key: parsed})
        # A level that was still to go out goes out in the new condition.
        self.world.wire.planned = [self.world.place(now_s, entry.level, self._locked) for entry in waiting[-1:]]
        self.clock.announce()

    def _get_display(self, name: str) -> str:
        return setting_text(self.world.mounted.spec, self.world.mounted.condition, name)
