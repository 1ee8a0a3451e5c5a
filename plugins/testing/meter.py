"""The contract of the meter roles: luminance, power, temperature."""

from __future__ import annotations

import math
from typing import Any

from greystep.schema.roles import MeterReading

from .checking import Check, expect
from .shared import SHARED

UNITS = ("cd/m2", "W", "degC")
APERTURE_S = 0.05


def a_reading_is_a_number_with_a_known_unit(instrument: Any) -> str:
    """A reading is a finite number in cd/m2, W or degC."""
    reading = instrument.read(APERTURE_S)
    expect(isinstance(reading, MeterReading), f"read() gives {type(reading).__name__}")
    expect(math.isfinite(reading.value), f"a value of {reading.value}")
    expect(reading.unit in UNITS, f"a unit of {reading.unit!r}; known are {', '.join(UNITS)}")
    expect(reading.unit == "degC" or reading.value > -1e-3, f"{reading.value} {reading.unit} can't be")
    return f"{reading.value:g} {reading.unit}"


def the_uncertainty_is_positive_or_unknown(instrument: Any) -> str:
    """Its uncertainty is known and positive, or said to be unknown."""
    u = instrument.read(APERTURE_S).u
    expect(u is None or (math.isfinite(u) and u >= 0), f"u = {u}")
    return "unknown" if u is None else f"{u:g}"


def two_apertures_agree(instrument: Any) -> str:
    """Two readings with different apertures are of the same unit and size."""
    one, other = instrument.read(APERTURE_S), instrument.read(2 * APERTURE_S)
    expect(one.unit == other.unit, f"{one.unit} and {other.unit}")
    larger = max(abs(one.value), abs(other.value))
    expect(abs(one.value - other.value) <= 0.5 * larger + 1e-2, f"{one.value:g} and {other.value:g} {one.unit}")
    return f"{one.value:g} and {other.value:g} {one.unit}"


METER: tuple[Check, ...] = (
    *SHARED,
    a_reading_is_a_number_with_a_known_unit,
    the_uncertainty_is_positive_or_unknown,
    two_apertures_agree,
)
