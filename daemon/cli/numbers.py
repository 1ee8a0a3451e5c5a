"""Numbers on the terminal, rounded to what their uncertainty allows, in the unit of the screen."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from greystep.schema.figure import Figure

MISSING = "-"
_BOUNDS = {"": "", "<=": "≤ ", ">=": "≥ "}


def screen_unit(quantity: str, unit: str) -> tuple[float, str]:
    """Factor and unit of a quantity on the screen; an empty unit for a pure number."""
    from greystep.schema.quantities import QUANTITIES

    q = QUANTITIES.get(quantity)
    factor, shown = (q.display_factor, q.display_unit or q.unit) if q else (1.0, unit)
    return factor, {"1": "", "cd/m2": "cd/m²"}.get(shown, shown)


def decimals(value: float, uncertainty: float) -> int:
    """Two significant digits of the uncertainty (GUM 7.2.6), or three of the value where there is none."""
    digits, size = (2, abs(uncertainty)) if math.isfinite(uncertainty) and uncertainty > 0 else (3, abs(value))
    if not math.isfinite(size) or size == 0:
        return 0
    return min(9, max(0, digits - 1 - math.floor(math.log10(size))))


def value_text(value: float, uncertainty: float, bound: str = "") -> str:
    """A number alone."""
    return f"{_BOUNDS[bound]}{value:.{decimals(value, uncertainty)}f}" if math.isfinite(value) else MISSING


def figure_text(figure: Figure, expanded: float) -> str:
    """Such as `4.21 ± 0.12 ms`."""
    return quantity_text(figure.quantity, figure.unit, figure.value, expanded, figure.bound)


def quantity_text(quantity: str, unit: str, value: float, expanded: float, bound: str = "") -> str:
    """The same of plain values in `unit`."""
    factor, shown = screen_unit(quantity, unit)
    value, wide = value * factor, expanded * factor
    if not math.isfinite(value):
        return MISSING
    after = f" ± {wide:.{decimals(value, wide)}f}" if math.isfinite(wide) else ""
    return f"{value_text(value, wide, bound)}{after} {shown}".rstrip()
