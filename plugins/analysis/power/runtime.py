"""Battery runtime from energy and power."""

from __future__ import annotations


def runtime_s(battery_wh: float, power_w: float) -> float:
    """t = 3600 E / P in s, for E in W h and P in W > 0 (derived)."""
    return 3600.0 * battery_wh / power_w


def runtime_sensitivity(battery_wh: float, power_w: float) -> float:
    """dt/dP = -3600 E / P^2, in s per W (derived)."""
    return -3600.0 * battery_wh / power_w**2


def runtime_cost_s(battery_wh: float, power_w: float, extra_w: float) -> float:
    """Runtime lost when `extra_w` comes on top of `power_w`, in s (derived)."""
    return runtime_s(battery_wh, power_w) - runtime_s(battery_wh, power_w + extra_w)
