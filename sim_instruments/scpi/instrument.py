"""An instrument that speaks SCPI: runs program messages against its command tree and keeps its status."""

from __future__ import annotations

import inspect
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from ..clock import Clock
from .errors import ScpiError
from .parameters import Number, bind, number_text
from .status import OPERATION_COMPLETE, Status
from .syntax import Unit, parse_unit, split_outside_quotes
from .tree import Command, CommandTree

Buffer = bytes | bytearray | memoryview
ENABLE = Number(0, 255, 0, integer=True)
WIDE_ENABLE = Number(0, 32767, 0, integer=True)
INDEFINITE = {"*IDN", "*OPT"}
"""Queries whose answer has no definite end: nothing may follow in the same message (IEEE 488.2, 8.7.11)."""


@dataclass(frozen=True)
class Identity:
    """The four fields of *IDN?."""

    maker: str
    model: str
    serial: str
    firmware: str

    def __str__(self) -> str:
        return ",".join((self.maker, self.model, self.serial, self.firmware))


class Instrument:
    """Base of all instruments: the commands that every one has, and the message exchange.

    A subclass gives its own commands, `busy_until`, `condition`, `reset` and `trigger`.
    """

    def __init__(self, name: str, identity: Identity, clock: Clock) -> None:
        self.name = name
        self.identity = identity
        self.clock = clock
        self.status = Status()
        self.tree = CommandTree([*self._shared_commands(), *self.commands()])
        self.last_command_host_s = clock.host_now()
        self._answered = False
        self._completion_asked = False

    # What a subclass gives -------------------------------------------------------------------------------------

    def commands(self) -> Iterable[Command]:
        """The instrument's own commands."""
        return ()

    def reset(self) -> None:
        """*RST: settings to their start values, anything pending aborted."""

    def trigger(self) -> None:
        """*TRG. Raises -211 where nothing waits for it."""
        raise ScpiError(-211)

    def busy_until(self, now_s: float) -> float:
        """Simulated instant at which the pending operation ends: not after `now_s` when idle, infinite when unknown."""
        return now_s

    def condition(self, now_s: float) -> int:
        """Operation condition register."""
        return 0

    def self_test(self) -> int:
        """*TST?: 0 is passed."""
        return 0

    def jam(self) -> None:
        """Its trigger circuit fails once (a fault that a test orders)."""

    def power_on(self) -> None:
        """What switching it off and on does."""
        self.reset()
        self._completion_asked = False
        self.status.power_on()

    # The message exchange --------------------------------------------------------------------------------------

    async def execute(self, message: str) -> list[Buffer]:
        """Run one program message; the response message as buffers, without terminator, empty for none.

        Errors go to the error queue. A command error ends the message: what follows can't be trusted.
        """
        self.last_command_host_s = self.clock.host_now()
        responses: list[list[Buffer]] = []
        path: list[str] = []
        indefinite = False
        try:
            units = split_outside_quotes(message, ";")
        except ScpiError as error:
            self.status.report(error)
            return []
        for text in units:
            if not text.strip():
                continue
            self._answered = bool(responses)
            try:
                unit = parse_unit(text)
                if unit.is_query and indefinite:
                    raise ScpiError(-440, unit.header)
                command, suffixes, path = self.tree.find(unit.header, path)
                answer = await self._run(unit, command, suffixes)
            except ScpiError as error:
                self.status.report(error)
                if error.is_command_error or error.number == -440:
                    break
                continue
            except Exception as error:
                # A defect of the instrument's own firmware: real ones say so and go on.
                self.status.report(ScpiError(-310, f"{type(error).__name__} {error}"))
                continue
            indefinite = indefinite or (unit.is_query and unit.header.upper() in INDEFINITE)
            if answer is not None:
                responses.append(answer)
        return [buffer for k, response in enumerate(responses) for buffer in ([b";"] if k else []) + response]

    async def _run(self, unit: Unit, command: Command, suffixes: list[int]) -> list[Buffer] | None:
        handler, parameters = self.tree.handler(unit, command)
        answer: Any = handler(*suffixes, *bind(parameters, unit.data))
        if inspect.isawaitable(answer):
            answer = await answer
        if not unit.is_query:
            return None
        buffers: list[Buffer] = [answer.encode("ascii")] if isinstance(answer, str) else answer
        return buffers

    # Commands that every instrument has ------------------------------------------------------------------------

    def _shared_commands(self) -> Iterable[Command]:
        status = self.status
        return (
            Command("*IDN", query=lambda: str(self.identity)),
            Command("*RST", self._reset),
            Command("*CLS", self._clear),
            Command("*ESE", lambda v: setattr(status, "event_enable", int(v)), lambda: str(status.event_enable), (ENABLE,)),
            Command("*ESR", query=lambda: str(self._read_event())),
            Command("*OPC", self._ask_completion, self._wait_completion),
            Command(
                "*SRE", lambda v: setattr(status, "request_enable", int(v) & ~64), lambda: str(status.request_enable), (ENABLE,)
            ),
            Command("*STB", query=self._status_byte),
            Command("*TST", query=lambda: str(self.self_test())),
            Command("*WAI", self._wait_idle),
            Command("*TRG", self.trigger),
            Command("SYSTem:ERRor[:NEXT]", query=self._next_error),
            Command("SYSTem:ERRor:COUNt", query=lambda: str(len(status.errors))),
            Command("SYSTem:VERSion", query=lambda: "1999.0"),
            Command("STATus:OPERation:CONDition", query=self._operation_condition),
            Command("STATus:OPERation[:EVENt]", query=self._operation_event),
            Command(
                "STATus:OPERation:ENABle",
                lambda v: setattr(status, "operation_enable", int(v)),
                lambda: str(status.operation_enable),
                (WIDE_ENABLE,),
            ),
            Command("STATus:QUEStionable:CONDition", query=lambda: "0"),
            Command("STATus:QUEStionable[:EVENt]", query=lambda: "0"),
            Command("STATus:PRESet", lambda: setattr(status, "operation_enable", 0)),
        )

    def _reset(self) -> None:
        self._completion_asked = False
        self.reset()

    def _clear(self) -> None:
        self._completion_asked = False
        self.status.clear()

    def poll(self) -> None:
        """A client looks at something pending: a clock that may jump goes to the next event."""
        now_s = self.clock.now()
        due_s = self.next_event(now_s)
        if due_s > now_s:
            self.clock.jump_to(due_s)

    def next_event(self, now_s: float) -> float:
        """Next instant at which a client that polls would see a change; infinite when unknown."""
        return self.busy_until(now_s)

    def _read_event(self) -> int:
        if self._completion_asked:
            self.poll()
        self._note_completion()
        return self.status.read_event()

    def _status_byte(self) -> str:
        if self._completion_asked:
            self.poll()
        self._note_completion()
        self.status.note_operation(self.condition(self.clock.now()))
        return str(self.status.byte(self._answered))

    def _note_completion(self) -> None:
        now_s = self.clock.now()
        if self._completion_asked and self.busy_until(now_s) <= now_s:
            self._completion_asked = False
            self.status.event |= OPERATION_COMPLETE

    def _ask_completion(self) -> None:
        self._completion_asked = True

    async def _wait_idle(self) -> None:
        while (due_s := self.busy_until(self.clock.now())) > self.clock.now():
            await self.clock.until(due_s if math.isfinite(due_s) else math.inf)

    async def _wait_completion(self) -> str:
        await self._wait_idle()
        return "1"

    def _next_error(self) -> str:
        number, text = self.status.errors.pop()
        return f'{number},"{text}"'

    def _operation_condition(self) -> str:
        self.poll()
        condition = self.condition(self.clock.now())
        self.status.note_operation(condition)
        return str(condition)

    def _operation_event(self) -> str:
        self.poll()
        self.status.note_operation(self.condition(self.clock.now()))
        return str(self.status.read_operation_event())


__all__ = ["Buffer", "Identity", "Instrument", "number_text"]
