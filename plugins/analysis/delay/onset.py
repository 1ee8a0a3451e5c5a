"""Instants of one transition in every repeat: first light and 50 %."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Array

from ..motion.crossing import rising_crossing
from ..motion.ends import StepEnds

RESOLUTION_PART = 0.02
"""Part of the refresh period to which first light must be told; sets how much averaging the threshold may lean on."""
MARGIN = 2.0


@dataclass(frozen=True)
class Onsets:
    """Instants on the record's time axis, in s. [repeat]"""

    first_s: Array
    """First light: the threshold is passed for good."""
    half_s: Array
    """50 % of the step."""
    threshold: float
    """Part of the step at which first light is told."""
    raised: bool
    """Whether the noise forced a threshold above the one asked for."""


def detection_threshold(noise: float, step: float, interval_s: float, resolution_s: float) -> float:
    """Lowest part of the step that can be told from the noise within `resolution_s`.

    The crossing of a level theta in noise sigma wanders over about (sigma / theta)^2 samples; it stays within the
    resolution when theta >= 2 sigma sqrt(dt / resolution).
    """
    return MARGIN * noise / abs(step) * float(np.sqrt(interval_s / max(resolution_s, interval_s)))


def find_onsets(light: Array, ends: StepEnds, start_s: float, interval_s: float, part: float, period_s: float) -> Onsets:
    """Both instants of every readable repeat.

    First light is where the monotone regression of the record up to its 50 % instant passes `part` of the step (or the
    lowest part that stands clear of the noise). The 50 % instant is a straight-line fit between the 40 and 60 % instants
    where that holds at least five samples.

    Args:
        light: [repeat, sample].
        ends: levels of the repeats.
        start_s: time of the first sample.
        interval_s: between samples.
        part: of the step, for first light.
        period_s: refresh period.
    """
    lowest = detection_threshold(ends.noise, ends.amplitude, interval_s, RESOLUTION_PART * period_s)
    threshold = max(part, lowest)
    first, half = np.empty(len(ends.rows)), np.empty(len(ends.rows))
    for i, row in enumerate(ends.rows):
        unit = (light[row] - ends.before[i]) / (ends.after[i] - ends.before[i])
        middle = half_crossing(unit)
        stop = min(len(unit), int(np.ceil(middle)) + 2)
        first[i] = min(rising_crossing(unit[:stop], threshold), middle)
        half[i] = middle
    return Onsets(start_s + interval_s * first, start_s + interval_s * half, threshold, lowest > part)


def half_crossing(unit: Array) -> float:
    """Position, in samples, of the 50 % crossing of a normalised rising trace, by a line fitted between 40 and 60 %."""
    crossing = rising_crossing(unit, 0.5)
    low, high = (rising_crossing(unit, p) for p in (0.4, 0.6))
    i, j = int(np.ceil(low)), int(np.floor(high)) + 1
    if j - i < 5 or not low < crossing < high:
        return crossing
    x = np.arange(i, j, dtype=np.float64)
    slope, at_zero = np.polyfit(x - crossing, unit[i:j], 1)
    if slope <= 0:
        return crossing
    return float(np.clip(crossing + (0.5 - at_zero) / slope, low, high))
