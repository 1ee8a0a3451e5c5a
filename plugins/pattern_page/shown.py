"""Tell the operator where to open the page: the address, and a QR code where the terminal can show one."""

from __future__ import annotations

import io
import sys
from typing import IO


def announcement(url: str) -> str:
    """Text with the address and, when the library is there, its QR code in half blocks."""
    lines = [f"Open this page in the browser of the display, then touch Start: {url}"]
    try:
        import segno
    except ImportError:
        return lines[0]
    picture = io.StringIO()
    segno.make(url, micro=False).terminal(picture, compact=True, border=2)
    return "\n".join([*lines, picture.getvalue()])


def announce(url: str, stream: IO[str] | None = None) -> None:
    """Print it for a person; a log gets the address alone."""
    out = stream or sys.stderr
    print(announcement(url) if out.isatty() else announcement(url).splitlines()[0], file=out, flush=True)
