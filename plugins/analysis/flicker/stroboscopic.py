"""Stroboscopic visibility measure (SVM)."""

from __future__ import annotations

from typing import Literal

import numpy as np
from greystep.schema.trace import Array

Curve = Literal["power-law", "logistic"]
LOWEST_HZ, HIGHEST_HZ = 80.0, 2000.0
"""Band of the measure."""
EXPONENT = 3.7
CURVE_SOURCE: dict[Curve, str] = {
    "power-law": "T(f) = 2.865e-5 f^1.543 + 0.225, as quoted from IEC TR 63158:2018+COR1",
    "logistic": "T(f) = 1/(1 + exp(-0.00518 (f - 306.6))) + 20 exp(-f/10), older form of CIE TN 006:2016, from memory",
}
"""Each threshold curve with its source; the result must name the one that was used."""


def threshold(frequencies_hz: Array, curve: Curve) -> Array:
    """Relative amplitude of a sine that is just visible to the standard observer, [frequency]."""
    f = np.asarray(frequencies_hz, dtype=np.float64)
    if curve == "power-law":
        return np.asarray(2.865e-5 * f**1.543 + 0.225)
    return np.asarray(1.0 / (1.0 + np.exp(-0.00518 * (f - 306.6))) + 20.0 * np.exp(-f / 10.0))


def stroboscopic_visibility(frequencies_hz: Array, amplitudes: Array, curve: Curve) -> float:
    """SVM = (sum (C_m / T_m)^3.7)^(1/3.7) over the lines from 80 Hz to 2 kHz, both included. 1 is just visible.

    Args:
        frequencies_hz: [line].
        amplitudes: [line] amplitude of each sine relative to the mean light (a full sine is 1); negative counts as 0.
        curve: threshold curve.

    Scope: indoors, above 100 lx, motion below 4 m/s. Source: IEC TR 63158:2018+COR1 as quoted by an encyclopaedia.
    """
    f = np.asarray(frequencies_hz, dtype=np.float64)
    inside = (f >= LOWEST_HZ * (1 - 1e-6)) & (f <= HIGHEST_HZ * (1 + 1e-6))
    if not np.any(inside):
        return 0.0
    ratio = np.maximum(np.asarray(amplitudes)[inside], 0.0) / threshold(f[inside], curve)
    return float(np.sum(ratio**EXPONENT) ** (1.0 / EXPONENT))
