"""Entries of the SCPI error queue: `<number>,"<text>[;<device info>]"` (SCPI-1999 volume 2, 21.8)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from greystep.schema.errors import ReplyError

_ENTRY: Final = re.compile(r'\s*([+-]?\d{1,6})\s*(?:,\s*(?:"((?:[^"]|"")*)"|\'([^\']*)\'|(.*)))?\s*', re.DOTALL)
NO_ERROR: Final = 0
QUEUE_OVERFLOW: Final = -350


@dataclass(frozen=True)
class QueuedError:
    """One entry; makers reword the standard's text, so match on the number and keep the text."""

    number: int
    text: str

    def __str__(self) -> str:
        return f'{self.number},"{self.text}"'


def parse_error(reply: str) -> QueuedError:
    """Parse an entry. Raises ReplyError."""
    found = _ENTRY.fullmatch(reply)
    if not found or not -32768 <= int(found[1]) <= 32767:
        raise ReplyError("that is no entry of an error queue", received=reply[:80])
    quoted = found[2].replace('""', '"') if found[2] is not None else (found[3] or found[4] or "")
    return QueuedError(int(found[1]), quoted.strip())
