"""Digitiser codes to light above dark: volts by the channel's scale, minus the sensor's dark output, times cd/m2 per volt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from greystep.schema.capture import Capture, Channel
from greystep.schema.dut import Sensor
from greystep.schema.flags import SegmentFlag
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Light:
    """Light of the usable segments of a capture."""

    values: Array
    """[segment, sample] light above dark in `unit`."""
    segments: NDArray[np.int64]
    """[segment] index of each row in the capture."""
    unit: str
    """V, cd/m2, or the channel's own unit."""
    quantum: float
    """One code of the digitiser in `unit`; 0 for values recorded as floats."""
    flags: tuple[str, ...]
    """Figure flags that hold for the rows: clipped, no_trigger, imported, attended, bad_samples."""
    usable: NDArray[np.bool_]
    """[segment of the capture] whether it was kept."""


def light_of(capture: Capture, luminance_scale: float | None, rows: NDArray[np.bool_] | None = None) -> Light:
    """Light above dark of the segments that had a trigger.

    The dark is the sensor's own output without light. Level 0 is no dark: a panel's black has a luminance.

    Args:
        capture: a step or steady capture.
        luminance_scale: cd/m2 per volt, or None to stay in volts.
        rows: [segment] which segments to read; None: all.
    """
    channel = capture.channels["light"]
    triggered = ~capture.flagged(SegmentFlag.NO_TRIGGER)
    wanted = np.ones(capture.segments, dtype=bool) if rows is None else rows
    usable = triggered & wanted
    codes = channel.codes[usable]
    gain, offset, unit = _scale(channel, capture.meta.sensor, luminance_scale)
    values = np.asarray(codes * gain + offset, dtype=np.float64)
    flags = set()
    if bool((wanted & ~triggered).any()):
        flags.add("no_trigger")
    if bool(capture.flagged(SegmentFlag.CLIPPED)[usable].any()) or _at_limit(channel, codes):
        flags.add("clipped")
    if capture.meta.origin in ("imported", "attended"):
        flags.add(capture.meta.origin)
    quantum = abs(gain) if np.issubdtype(channel.codes.dtype, np.integer) else 0.0
    return Light(values, np.flatnonzero(usable), unit, quantum, tuple(sorted(flags)), usable)


def _scale(channel: Channel, sensor: Sensor, luminance_scale: float | None) -> tuple[float, float, str]:
    if channel.unit != "V":
        return channel.scale, channel.offset, channel.unit
    factor, unit = (1.0, "V") if luminance_scale is None else (luminance_scale, "cd/m2")
    return channel.scale * factor, (channel.offset - sensor.dark_v) * factor, unit


def _at_limit(channel: Channel, codes: NDArray[np.generic]) -> bool:
    """Whether a sample stands at the digitiser's first or last code."""
    if not codes.size:
        return False
    low = channel.code_min is not None and bool(codes.min() <= channel.code_min)
    return low or (channel.code_max is not None and bool(codes.max() >= channel.code_max))
