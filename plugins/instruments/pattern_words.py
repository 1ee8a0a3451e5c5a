"""Words of a dialect for a pattern source."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar

from pydantic import Field

from .ask import Asked, AskedWhether
from .template import Commands, Words


class PatternWords(Words):
    """Words of a pattern source."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "bits": (),
        "delay_s": (),
        "level": ("code",),
        "list": (
            "codes",
            "dwell_s",
            "count",
        ),
        "play": (),
        "played": (),
        "stop": (),
        "names": (),
        "values": ("name",),
        "set": (
            "name",
            "value",
        ),
        "get": ("name",),
        "settled": (),
        "keep_alive": ("timeout_s",),
    }

    bits: Annotated[int, Field(ge=1, le=16)] | Asked = 8
    """Bits of a level, or the query of it."""
    delay_s: Annotated[float, Field(ge=0)] | Asked = 0.0
    """Its own delay from the sync edge to the wire in s, or the query of it."""
    level: Commands
    """Drive one level."""
    list: Commands
    """Load levels with one dwell for all."""
    list_limit: Annotated[int, Field(ge=1)] = 4096
    """Most levels of a list."""
    separator: str = ","
    """Between the levels of a list."""
    play: Commands
    """Start the list."""
    played: AskedWhether
    """Yes when the list is over."""
    stop: Commands
    """Stop the list."""
    names: Asked | None = None
    """List of the DUT's settings; missing: it has none."""
    values: Asked | None = None
    """List of the allowed values of a setting, or `low:high`."""
    set: Commands = ()
    """Set one of them."""
    get: Asked | None = None
    """The value it has; compared after setting."""
    settled: AskedWhether | None = None
    """Yes when the DUT has taken a change of its settings; missing: at once."""
    settle_s: Annotated[float, Field(gt=0, le=3600)] = 30.0
    """Longest time that this may take, in s."""
    keep_alive: Commands = ()
    """Ask for level 0 when no command comes for so long; missing: it can't."""
