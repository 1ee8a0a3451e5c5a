"""Words of a dialect that every session needs, whatever the role. The defaults are IEEE 488.2 and SCPI-1999."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar

from pydantic import Field

from .expression import Expression
from .template import Commands, Words


class SessionWords(Words):
    """What every session needs, whatever the role. The defaults are IEEE 488.2 and SCPI-1999."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "identity": (),
        "startup": (),
        "reset": (),
        "echo": ("token",),
        "echo_end": (),
        "ready": (),
        "next_error": (),
    }

    identity: str = "*IDN?"
    """Asks who it is; empty: it can't say."""
    identity_pattern: Expression = ""
    """Regular expression that the identity must contain; empty: anything."""
    terminator: Annotated[str, Field(max_length=4)] = "\n"
    """Ends each command."""
    reply_terminator: Annotated[str, Field(min_length=1, max_length=4)] = "\n"
    """Ends each text reply."""
    block_terminator: Annotated[str, Field(max_length=4)] = "\n"
    """Follows each block."""
    startup: Commands = ("*CLS",)
    """Sent once after opening and after each reconnection."""
    reset: Commands = ("*RST",)
    """Brings all settings to their start values."""
    echo: str = "*ESE {token};*ESE?"
    """Sets a harmless register to a number and asks for it: proves that replies are fresh. Empty: there is none."""
    echo_end: str = "*ESE 0"
    """Puts that register back."""
    echo_values: Annotated[int, Field(ge=4, le=1 << 16)] = 256
    """The register takes numbers below this."""
    guard: bool = True
    """Put the echo in front of every query, in one message (`*ESE 7;*ESE?;READ?`), so that a late or slipped reply is told from
    a fresh one. Switch it off where the instrument does not answer two queries in one message with `;` in between."""
    ready: str = "*OPC?"
    """Answered when all that was sent before is done; empty: there is none."""
    ready_reply: str = "1"
    """The answer to it."""
    next_error: str = "SYST:ERR?"
    """Takes the oldest entry from the error queue; empty: there is none."""
    ready_after_command: bool = False
    """Quirk: it loses commands unless `ready` is asked after each."""
    delay_s: Annotated[float, Field(ge=0, le=10)] = 0.0
    """Quirk: pause after each command that has no reply, in s."""
