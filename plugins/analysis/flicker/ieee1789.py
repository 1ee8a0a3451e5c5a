"""Limits of modulation depth over frequency after IEEE Std 1789-2015, recommended practices 1 and 2 (from memory)."""

from __future__ import annotations

import math

import numpy as np
from greystep.schema.trace import Array

NO_EFFECT, LOW_RISK, ABOVE = 0, 1, 2
"""Zones."""


def low_risk_limit(frequency_hz: float) -> float:
    """Practice 1: M % <= 0.025 f below 90 Hz, 0.08 f from 90 to 1250 Hz. As a part, not %; infinity above: no limit."""
    if frequency_hz > 1250.0:
        return math.inf
    return (0.025 if frequency_hz < 90.0 else 0.08) * frequency_hz / 100.0


def no_effect_limit(frequency_hz: float) -> float:
    """Practice 2: M % <= 0.01 f below 90 Hz, 0.0333 f from 90 to 3000 Hz. As a part, not %; infinity above: no limit."""
    if frequency_hz > 3000.0:
        return math.inf
    return (0.01 if frequency_hz < 90.0 else 0.0333) * frequency_hz / 100.0


def zone(frequency_hz: float, depth: float) -> int:
    """0 no observable effect, 1 low risk, 2 above both.

    Args:
        frequency_hz: fundamental of the modulation.
        depth: modulation depth as a part, 0 to 1.
    """
    if depth <= no_effect_limit(frequency_hz):
        return NO_EFFECT
    return LOW_RISK if depth <= low_risk_limit(frequency_hz) else ABOVE


def limit_lines(frequencies_hz: Array) -> tuple[Array, Array]:
    """[frequency] limits of both practices for pictures (no effect, low risk), as a part, at most 1."""
    low, high = (np.array([f(float(x)) for x in frequencies_hz]) for f in (no_effect_limit, low_risk_limit))
    return np.minimum(low, 1.0), np.minimum(high, 1.0)
