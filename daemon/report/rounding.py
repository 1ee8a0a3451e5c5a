"""Numbers for people: rounded to what the uncertainty allows, in the unit of the screen."""

from __future__ import annotations

import math
from typing import Final

from greystep.schema.quantities import QUANTITIES, Quantity

MISSING: Final = "–"
ZONES: Final = {0: "no observable effect", 1: "low risk", 2: "above low risk"}
"""Words for the zones of IEEE Std 1789-2015."""
_BOUNDS: Final = {"": "", "<=": "≤ ", ">=": "≥ "}


def quantity_of(name: str, unit: str = "") -> Quantity:
    """The quantity; one that a plugin added stands for itself, in its own unit."""
    return QUANTITIES.get(name) or Quantity(name, unit, name.replace("_", " ").capitalize(), "")


def shown_unit(q: Quantity) -> str:
    """Unit on screen; nothing for a pure number."""
    unit = q.display_unit or q.unit
    return {"1": "", "cd/m2": "cd/m²"}.get(unit, unit)


def decimals_for(value: float, uncertainty: float) -> int:
    """Decimals so that the uncertainty keeps two significant digits (GUM 7.2.6), or the value three where there is none."""
    digits, size = (2, abs(uncertainty)) if math.isfinite(uncertainty) and uncertainty > 0 else (3, abs(value))
    if not math.isfinite(size) or size == 0:
        return 0
    return min(9, max(0, digits - 1 - math.floor(math.log10(size))))


def value_text(value: float, uncertainty: float = math.nan, bound: str = "") -> str:
    """A number alone, rounded as its uncertainty allows."""
    if not math.isfinite(value):
        return MISSING
    return f"{_BOUNDS[bound]}{value:.{decimals_for(value, uncertainty)}f}"


def interval_text(value: float, uncertainty: float, unit: str = "", bound: str = "") -> str:
    """`4.21 ± 0.12 ms`, or the value alone where there is no uncertainty.

    Args:
        value: in `unit`.
        uncertainty: expanded, in `unit`; NaN: none.
        unit: as shown; empty: none.
        bound: `<=`, `>=` or empty.
    """
    if not math.isfinite(value):
        return MISSING
    whole = not math.isfinite(uncertainty) and float(value).is_integer() and abs(value) < 1000
    decimals = 0 if whole else decimals_for(value, uncertainty)
    after = f" ± {uncertainty:.{decimals}f}" if math.isfinite(uncertainty) else ""
    return f"{_BOUNDS[bound]}{value:.{decimals}f}{after}" + (f" {unit}" if unit else "")


def figure_text(name: str, value: float, uncertainty: float, unit: str = "", bound: str = "") -> str:
    """A figure of a quantity in SI as it is shown: scaled, rounded, with its unit."""
    if name == "ieee1789_zone" and value in ZONES:
        return _zone_text(int(value), bound)
    q = quantity_of(name, unit)
    return interval_text(value * q.display_factor, uncertainty * q.display_factor, shown_unit(q), bound)


def _zone_text(zone: int, bound: str) -> str:
    """A zone in words; a bound at the end of the scale says all or nothing."""
    if (zone, bound) in ((min(ZONES), ">="), (max(ZONES), "<=")):
        return "not decided"
    exact = bound == "" or (zone, bound) in ((min(ZONES), "<="), (max(ZONES), ">="))
    return ZONES[zone] if exact else ("at most " if bound == "<=" else "at least ") + ZONES[zone]


def compact(value: float, digits: int = 3) -> str:
    """So many significant digits without exponent, three decimals at most: for the cells of a matrix."""
    if not math.isfinite(value):
        return MISSING
    if value == 0:
        return "0"
    rounded = float(f"{value:.{digits}g}")  # 99.97 is 100, which has one digit less behind the point
    return f"{value:.{min(3, max(0, digits - 1 - math.floor(math.log10(abs(rounded)))))}f}"
