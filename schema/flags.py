"""Flags: why a segment or a figure must be read with care. A closed list, so that every page can explain each one."""

from __future__ import annotations

from enum import IntFlag
from typing import Final


class SegmentFlag(IntFlag):
    """What the acquisition knows of one segment; stored as an unsigned 32-bit mask a segment."""

    NONE = 0
    CLIPPED = 1
    """At least one light sample at the end of the digitiser's range."""
    NO_TRIGGER = 2
    """No trigger came: the samples are missing and filled with the middle code."""
    LATE = 4
    """The trigger came later than the plan's hold allows."""
    RETAKEN = 8
    """Taken again after a first try that was clipped or had no trigger."""


FIGURE_FLAGS: Final[dict[str, str]] = {
    "clipped": "samples at the end of the digitiser's range: levels and overshoot can't be trusted",
    "no_trigger": "a segment without a trigger was left out",
    "not_settled": "the trace had not reached its final state when the record ended: the figure is a lower bound",
    "below_sensor": "the figure is near the response of the sensor or the sample interval: given as an upper bound",
    "strobed": "the backlight is strobed: a hold-type figure has no meaning",
    "few_repeats": "fewer than 3 repeats: the scatter is hardly known and the interval is wide",
    "noisy": "the noise is large against the step: the threshold can't be told from the noise",
    "assumed_curve": "no steady captures: the code-to-light curve was assumed, not measured",
    "outside_curve": "the trace left the measured code-to-light curve: extrapolated beyond its end levels",
    "curve_not_monotone": "the measured code-to-light curve is not monotone: pooled to the nearest monotone curve",
    "levels_disagree": "state levels from the trace and from the steady captures differ by more than their uncertainty",
    "ripple": "backlight ripple was removed from the trace",
    "ripple_residual": "backlight ripple could not be removed completely; budgeted",
    "dithered": "temporal dithering found; treated as noise",
    "overshoot_past_band": "the trace passes through the end band and leaves it again",
    "not_monotone": "the trace reverses its direction within the transition",
    "wrong_direction": "the light moved against the direction of the step",
    "band_too_wide": "the band is wider than half the step: its two edges would pass each other",
    "no_transition": "no transition found between the two levels",
    "multiple_transitions": "more than one transition found in the record",
    "at_edge": "the transition begins or ends at the edge of the record",
    "incomplete": "not every planned capture is there",
    "imported": "the traces were recorded elsewhere and imported",
    "attended": "the traces were taken by hand",
    "drifting": "the levels drifted during the capture by more than their uncertainty",
    "bad_samples": "not-a-number or infinite samples in the trace",
    "few_samples": "fewer than 20 samples within the transition",
    "assumed_shape": "the correction rests on an assumed shape of response",
    "mixed": "figures of different fingerprints or conditions are compared",
}
"""Name of each flag a figure may carry, with its meaning in words."""
