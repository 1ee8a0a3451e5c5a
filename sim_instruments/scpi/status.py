"""Status reporting of an instrument (IEEE 488.2 clause 11, SCPI-1999 volume 1 chapter 9)."""

from __future__ import annotations

from dataclasses import dataclass, field

from .errors import ErrorQueue, ScpiError, event_bit

POWER_ON = 128
OPERATION_COMPLETE = 1

ERROR_QUEUE_BIT = 4
MESSAGE_AVAILABLE_BIT = 16
EVENT_SUMMARY_BIT = 32
REQUEST_BIT = 64
OPERATION_SUMMARY_BIT = 128


@dataclass
class Status:
    """Event and enable registers, and the error queue that feeds them."""

    errors: ErrorQueue = field(default_factory=ErrorQueue)
    event: int = POWER_ON
    """Standard event status register; the power-on bit is set until it is read."""
    event_enable: int = 0
    request_enable: int = 0
    operation_event: int = 0
    operation_enable: int = 0
    operation_before: int = 0
    """Operation condition when it was last looked at, for the positive transition filter."""

    def report(self, error: ScpiError) -> None:
        """Queue an error and set its event bit."""
        self.errors.push(error.number, error.detail)
        self.event |= event_bit(error.number)

    def read_event(self) -> int:
        """The event register; reading clears it."""
        value, self.event = self.event, 0
        return value

    def read_operation_event(self) -> int:
        """The operation event register; reading clears it."""
        value, self.operation_event = self.operation_event, 0
        return value

    def note_operation(self, condition: int) -> None:
        """Latch the operation conditions that came true since the last look."""
        self.operation_event |= condition & ~self.operation_before
        self.operation_before = condition

    def power_on(self) -> None:
        """State after switching on."""
        self.clear()
        self.event = POWER_ON
        self.event_enable = self.request_enable = self.operation_enable = self.operation_before = 0

    def clear(self) -> None:
        """*CLS."""
        self.event = self.operation_event = 0
        self.errors.clear()

    def byte(self, message_available: bool) -> int:
        """The status byte as *STB? gives it, with the master summary in bit 6."""
        value = ERROR_QUEUE_BIT if len(self.errors) else 0
        value |= MESSAGE_AVAILABLE_BIT if message_available else 0
        value |= EVENT_SUMMARY_BIT if self.event & self.event_enable else 0
        value |= OPERATION_SUMMARY_BIT if self.operation_event & self.operation_enable else 0
        return value | (REQUEST_BIT if value & self.request_enable else 0)
