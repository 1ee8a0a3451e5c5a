"""A link moves bytes to and from one instrument. Every call ends by its deadline; nothing is interpreted or retried."""

from __future__ import annotations

import time
from typing import Protocol


class LinkError(Exception):
    """The link did not carry the bytes."""


class LinkTimeout(LinkError):  # noqa: N818 - reads better where it is caught
    """The deadline passed."""


class LinkClosed(LinkError):  # noqa: N818
    """The link could not be opened, was closed by the other side, or broke."""


class Link(Protocol):
    """Bytes to and from one instrument. `deadline` is an instant of `time.monotonic`."""

    @property
    def ends(self) -> bool:
        """Whether the transport marks the end of a message; a plain socket or serial line doesn't."""

    def write(self, data: bytes, deadline: float) -> None:
        """Send everything. Raises LinkTimeout or LinkClosed."""

    def read_into(self, buffer: memoryview, deadline: float) -> tuple[int, bool]:
        """Receive at least one byte, or the bare end of a message: bytes placed, and whether the message ended."""

    def unread(self) -> bool:
        """Whether bytes are waiting that nobody asked for. Raises LinkClosed when the other side has gone."""

    def clear(self, deadline: float) -> bool:
        """Device clear: both sides drop what is under way. False where the transport has none. Raises LinkError."""

    def kill(self) -> None:
        """From any thread: make a call that hangs come back, at the price of the connection."""

    def close(self) -> None:
        """Release the connection. Safe to call twice."""


def remaining(deadline: float) -> float:
    """Seconds left, always positive. Raises LinkTimeout when there are none."""
    left = deadline - time.monotonic()
    if left <= 0:
        raise LinkTimeout("the deadline passed")
    return left
