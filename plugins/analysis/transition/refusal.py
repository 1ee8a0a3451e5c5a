"""Why a figure can't be given: a value with a reason, not an exception."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Refusal:
    """No figure, and why."""

    reason: str
    """In words, with the numbers that led to it."""
    flags: tuple[str, ...] = ()
    """Figure flags."""
