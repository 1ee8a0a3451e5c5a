"""Words of a dialect for a meter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from .ask import Asked
from .template import Commands, Words


class MeterWords(Words):
    """Words of a meter."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "aperture": ("aperture_s",),
        "aperture_set": (),
        "read": (),
    }

    unit: str
    """Unit of the reading after scaling."""
    aperture: Commands = ()
    """Set the averaging time; missing: it has none."""
    aperture_set: Asked | None = None
    """The averaging time it has, in s."""
    read: Asked
    """Take a reading."""
    low: float | None = None
    """Lowest possible reading."""
    high: float | None = None
    """Highest possible reading."""
