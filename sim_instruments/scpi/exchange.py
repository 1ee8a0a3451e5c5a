"""The message exchange of one connection: one answer waits to be read, and what happens when the rules are broken.

IEEE 488.2, 6.3: a program message that arrives while an answer is unread interrupts the query (-410) and the answer is
lost; a read with nothing to be read is unterminated (-420).
"""

from __future__ import annotations

from .errors import ScpiError
from .instrument import Buffer
from .status import Status


class MessageExchange:
    """Output queue of one connection."""

    def __init__(self, status: Status) -> None:
        self._status = status
        self._unread: list[Buffer] = []

    def message_arrives(self) -> None:
        """The client sends a program message: an unread answer is lost."""
        if self._unread:
            self.interrupt()

    def interrupt(self) -> None:
        """A query ends without its answer being read."""
        self._unread = []
        self._status.report(ScpiError(-410))

    def answer(self, response: list[Buffer]) -> None:
        """The answer to the message that ran; empty for none."""
        self._unread = response

    def read(self) -> list[Buffer]:
        """The client reads: the answer. With nothing to read, nothing, and -420."""
        if not self._unread:
            self._status.report(ScpiError(-420))
            return []
        response, self._unread = self._unread, []
        return response
