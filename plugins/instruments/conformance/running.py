"""Put it together: the checks of a role on a live instrument, with what was said during each."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import Any

from greystep.plugins.testing.checking import Check, run_checks
from greystep.plugins.testing.digitiser import DIGITISER
from greystep.plugins.testing.meter import METER
from greystep.plugins.testing.pattern import PATTERN
from greystep.schema.errors import GreystepError
from greystep.schema.roles import CheckResult

from .acquisition import ACQUISITION
from .common import COMMON
from .values import VALUES

SHOWN_LINES = 40


def checks_of(role: str) -> tuple[Check, ...]:
    """All checks for a role, the protocol first."""
    if role == "digitiser":
        return (*COMMON, *VALUES, *ACQUISITION, *DIGITISER)
    if role == "pattern":
        return (*COMMON, *PATTERN)
    return (*COMMON, *VALUES, *METER)


def check_instrument(role: str, instrument: Any) -> Sequence[CheckResult]:
    """Run all checks on an opened driver; it is idle, and a pattern source at level 0, afterwards."""
    port = getattr(instrument, "port", None) or getattr(instrument, "_port", None)
    session = port.session if port is not None else None
    try:
        return run_checks(checks_of(role), instrument, _overhearing(session) if session else None)
    finally:
        if session is not None:
            session.overheard = None
        for leave in ("safe", "abort"):
            with contextlib.suppress(GreystepError, AttributeError):
                getattr(instrument, leave)()


def _overhearing(session: Any) -> Any:
    session.overheard = []

    def overhear() -> tuple[str, str]:
        said, session.overheard = session.overheard, []
        return _lines(said, ">"), _lines(said, "<")

    return overhear


def _lines(said: list[tuple[str, str]], direction: str) -> str:
    lines = [text for way, text in said if way == direction]
    left_out = len(lines) - SHOWN_LINES
    shown = lines if left_out <= 0 else [*lines[: SHOWN_LINES // 2], f"... {left_out} more ...", *lines[-SHOWN_LINES // 2 :]]
    return "\n".join(shown)
