"""Instants of one transition in every repeat: first light and 50 %."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Array

from ..motion.crossing import Rise
from ..motion.ends import StepEnds
from ..transition.crossing import find_crossing

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
    lowest part that stands clear of the noise). The 50 % instant: see `half_crossing`.

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
        rise = Rise(unit)
        middle = half_crossing(rise, ends.noise / abs(ends.amplitude))
        stop = min(len(unit), int(np.ceil(middle)) + 2)
        first[i] = min(between_samples(unit, rise.crossing(threshold, stop)), middle)
        half[i] = middle
    return Onsets(start_s + interval_s * first, start_s + interval_s * half, threshold, lowest > part)


def between_samples(unit: Array, crossing: float) -> float:
    """The crossing; halfway between two samples where the light jumps by over half of the step there.

    Such a jump was anywhere between them with equal chance, while a straight line would put a low level near the first.
    """
    i = int(crossing)
    jump = i + 1 < len(unit) and unit[i + 1] - unit[i] > 0.5
    return i + 0.5 if jump else crossing


def half_crossing(rise: Rise, noise: float) -> float:
    """Position, in samples, of the 50 % crossing of a normalised rising trace.

    Where the monotone regression passes the middle, refined by the polynomial of the widest window that agrees with all
    narrower ones (see `transition.crossing`), as long as that stays between the 40 and 60 % instants.

    Args:
        rise: 0 before and 1 after.
        noise: standard deviation of one sample of it.
    """
    place = rise.crossing(0.5)
    settled = between_samples(rise.unit, place)
    if settled != place:
        return settled
    low, high = rise.crossing(0.4), rise.crossing(0.6)
    if high - low < 2.0:
        return place
    found = find_crossing(rise.unit, 0.5, place, noise, True, max(3, int(high - low)))
    return found.position if found is not None and low <= found.position <= high else place
