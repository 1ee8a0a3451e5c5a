"""Light in cd/m2: from the sensor's responsivity, or from a luminance meter that looked on while levels were held."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from greystep.schema.capture import Capture
from greystep.schema.dut import Sensor


def meter_reading(capture: Capture) -> float | None:
    """Mean of the luminance readings of a capture in cd/m2; None without any."""
    values = [r.value for r in capture.meta.readings if r.quantity == "luminance" and math.isfinite(r.value)]
    return float(np.mean(values)) if values else None


def luminance_scale(sensor: Sensor, volts: Sequence[float], readings: Sequence[float]) -> tuple[float | None, float]:
    """cd/m2 per volt above dark, and its relative standard uncertainty.

    Args:
        sensor: its responsivity goes first when it is known.
        volts: [n] mean volts above dark of held levels.
        readings: [n] what the meter read at the same time, in cd/m2.

    Returns:
        (None, 0) when neither is known, or when the readings and the volts do not lie on a line through zero within 10 %.
    """
    if sensor.responsivity_v_per_cd_m2 is not None:
        return 1 / sensor.responsivity_v_per_cd_m2, sensor.responsivity_rel_u
    v, y = np.array(volts, dtype=np.float64), np.array(readings, dtype=np.float64)
    if not len(v) or float(v.max()) <= 0 or float(y.max()) <= 0:
        return None, 0.0
    scale = float((v * y).sum() / (v * v).sum())
    residual = y - scale * v
    if len(v) == 1:
        return scale, 0.05
    relative = float(np.sqrt((residual**2).sum() / (len(v) - 1) / (v * v).sum())) / scale
    return (None, 0.0) if scale <= 0 or float(np.abs(residual).max()) > 0.1 * float(y.max()) else (scale, relative)
