"""Promises of every instrument, whatever its role."""

from __future__ import annotations

import json
from typing import Any

from .checking import Check, expect


def identity_is_stable(instrument: Any) -> str:
    """It identifies itself, with the same words each time."""
    one, other = instrument.identify(), instrument.identify()
    expect(isinstance(one, str), f"identify() gives {type(one).__name__}, not text")
    expect(one == other, f"it is {one!r} first and {other!r} then")
    return str(one)


def settings_are_plain(instrument: Any) -> None:
    """Its settings can be archived as JSON."""
    settings = instrument.settings()
    expect(isinstance(settings, dict), "settings() is no dict")
    try:
        text = json.dumps(settings, allow_nan=False)
    except (TypeError, ValueError) as exc:
        expect(False, f"settings() is not plain JSON: {exc}")
    expect(isinstance(json.loads(text), dict), "settings() does not survive JSON")


def recovery_changes_nothing_in_good_times(instrument: Any) -> None:
    """It can be recovered when nothing is wrong, and answers afterwards."""
    before = instrument.identify()
    instrument.recover()
    expect(instrument.identify() == before, "another identity after recover()")


SHARED: tuple[Check, ...] = (identity_is_stable, settings_are_plain, recovery_changes_nothing_in_good_times)
