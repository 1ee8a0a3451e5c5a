"""SCPI error numbers, their standard texts, and the error queue (SCPI-1999 volume 2, chapter 21)."""

from __future__ import annotations

from collections import deque

NO_ERROR = 0
QUEUE_OVERFLOW = -350

TEXTS = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -151: "Invalid string data",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -200: "Execution error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -225: "Out of memory",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}
"""Standard texts of the numbers used here."""

MAX_TEXT = 255
"""Longest error string that the standard allows."""

_EVENT_BITS = {1: 32, 2: 16, 3: 8, 4: 4}


def event_bit(number: int) -> int:
    """Bit of the standard event status register that an error of this class sets (IEEE 488.2, 11.5.1)."""
    return _EVENT_BITS.get(-number // 100, 8)


class ScpiError(Exception):
    """An error to be queued. `detail` is the device-dependent part after the semicolon."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    @property
    def is_command_error(self) -> bool:
        """Whether the rest of the program message can't be trusted either."""
        return -200 < self.number <= -100


class ErrorQueue:
    """First in, first out; when full, the newest entry is replaced by -350."""

    def __init__(self, capacity: int = 16) -> None:
        self.capacity = capacity
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, number: int, detail: str = "") -> None:
        """Add an error; the text is cut to what the standard allows."""
        if len(self._entries) >= self.capacity:
            self._entries[-1] = (QUEUE_OVERFLOW, TEXTS[QUEUE_OVERFLOW])
            return
        text = TEXTS.get(number, "Device-specific error") + (f";{detail}" if detail else "")
        self._entries.append((number, text.replace('"', "'")[:MAX_TEXT]))

    def pop(self) -> tuple[int, str]:
        """The oldest error, or (0, "No error")."""
        return self._entries.popleft() if self._entries else (NO_ERROR, TEXTS[NO_ERROR])

    def clear(self) -> None:
        """Forget all."""
        self._entries.clear()
