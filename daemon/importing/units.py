"""Units as instruments' exports write them, to the units of a capture."""

from __future__ import annotations

from typing import Final

_PREFIX: Final = {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "n": 1e-9, "k": 1e3}
_TIME: Final = {**{p + "s": f for p, f in _PREFIX.items()}, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "min": 60.0}
_VOLT: Final = {p + "v": f for p, f in _PREFIX.items()} | {"volt": 1.0, "volts": 1.0}
_LUMINANCE: Final = ("cd/m2", "cd/m²", "cd/m^2", "cd·m-2", "cd m-2", "nit", "nits")
_NUMBERS: Final = ("1", "-", "arb", "a.u.", "au", "counts")
_SUFFIX_TIME: Final = ("s", "ms", "us", "ns")
_SUFFIX_VOLT: Final = ("v", "mv", "uv")


def time_factor(column: str, unit: str | None) -> float | None:
    """Seconds per unit of a time column; None when the unit is no unit of time.

    Without a stated unit the end of the column's name counts (`time_ms`), else seconds.
    """
    if unit is None:
        tail = column.rpartition("_")[2].lower()
        return _TIME[tail] if "_" in column and tail in _SUFFIX_TIME else 1.0
    return _TIME.get(unit.strip().lower())


def light_unit(column: str, unit: str | None) -> tuple[float, str, str]:
    """(scale, UDUNITS unit, remark) of a light column; volts when nothing is stated."""
    if unit is None:
        tail = column.rpartition("_")[2].lower()
        if "_" in column and tail in _SUFFIX_VOLT:
            return _VOLT[tail], "V", ""
        return 1.0, "V", "no unit stated; taken as volts"
    plain = unit.strip().lower()
    if plain in _VOLT:
        return _VOLT[plain], "V", ""
    if plain in _LUMINANCE:
        return 1.0, "cd/m2", ""
    if plain in _NUMBERS:
        return 1.0, "V", f"in {unit}; handled as volts"
    return 1.0, "V", f"unit {unit[:20]!r} is not known; handled as volts"
