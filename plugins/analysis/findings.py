"""What was found out about a subject or a curve, for the next that asks: five methods that differ in their levels share one
search.

Kept on the thing itself, so that it lives exactly as long as the traces in memory do, and is nobody's global state. What is
kept is what would come out again: a figure is the same whether another method was there before or not.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from greystep.schema.trace import Curve, Subject

T = TypeVar("T")
_PLAIN = (str, int, float, bool, type(None))
_NAME = "_findings"


def shared(subject: Subject | Curve, what: str, parts: tuple[object, ...], make: Callable[[], T]) -> T:
    """What `make` gives, or gave before for the same subject.

    Args:
        subject: what it is about.
        what: name of the finding.
        parts: all else that it depends on. Numbers and words are compared by value, other objects by identity.
        make: works it out.
    """
    kept: dict[tuple[object, ...], tuple[tuple[object, ...], Any]] = subject.__dict__.setdefault(_NAME, {})
    key = (what, *(p if isinstance(p, _PLAIN) else id(p) for p in parts))
    if key not in kept:
        # The parts are kept with it: while they live no other object can have their identity.
        kept[key] = (parts, make())
    return cast(T, kept[key][1])
