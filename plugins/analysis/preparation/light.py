"""Digitiser codes to light above dark: volts by the channel's scale, minus the sensor's dark output, times cd/m2 per volt."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from greystep.schema.capture import Capture, Channel
from greystep.schema.dut import Sensor
from greystep.schema.flags import SegmentFlag
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Light:
    """Light of all segments of a capture."""

    values: Array
    """[segment, sample] light above dark in `unit`."""
    unit: str
    """V, cd/m2, or the channel's own unit."""
    quantum: float
    """One code of the digitiser in `unit`; 0 for values recorded as floats."""
    usable: NDArray[np.bool_]
    """[segment] whether it had a trigger and holds finite numbers only."""


def light_of(capture: Capture, luminance_scale: float | None) -> Light:
    """Light above dark of all segments.

    The dark is the sensor's own output without light. Level 0 is no dark: a panel's black has a luminance.

    Args:
        capture: a step or steady capture.
        luminance_scale: cd/m2 per volt, or None to stay in volts.
    """
    channel = capture.channels["light"]
    gain, offset, unit = _scale(channel, capture.meta.sensor, luminance_scale)
    whole = np.issubdtype(channel.codes.dtype, np.integer)
    usable = ~capture.flagged(SegmentFlag.NO_TRIGGER)
    values = _scaled(channel.codes, gain, offset)
    if not (whole and math.isfinite(gain) and math.isfinite(offset)):
        usable &= np.isfinite(values).all(axis=1)
    return Light(values, unit, abs(gain) if whole else 0.0, usable)


def _scaled(codes: NDArray[Any], gain: float, offset: float) -> Array:
    """[segment, sample] light of codes, to 24 bits of mantissa: digitisers give 16 at most, and so prepared traces are kept."""
    from ..kernels.codes import light_of_words

    if codes.dtype == np.int16:
        values = np.empty(codes.shape)
        light_of_words(np.ascontiguousarray(codes), gain, offset, values)
        return values
    with np.errstate(over="ignore"):
        return (codes * np.float64(gain) + np.float64(offset)).astype(np.float32).astype(np.float64)


def picked(values: Array, rows: NDArray[np.bool_]) -> Array:
    """Some rows of an array: without a copy where they are evenly spaced, as the segments of one direction mostly are.

    Args:
        values: [row, ...]
        rows: [row] which.
    """
    places = np.flatnonzero(rows)
    if len(places) < 2:
        return values[rows]
    step = int(places[1] - places[0])
    if (np.diff(places) != step).any():
        return values[rows]
    return values[places[0] : places[-1] + 1 : step]


def row_flags(capture: Capture, light: Light, rows: NDArray[np.bool_]) -> tuple[str, ...]:
    """Figure flags that hold for some segments: clipped, no_trigger, imported, attended, bad_samples."""
    flags = set()
    missing = capture.flagged(SegmentFlag.NO_TRIGGER)
    if bool((rows & missing).any()):
        flags.add("no_trigger")
    if bool((rows & ~missing & ~light.usable).any()):
        flags.add("bad_samples")
    read = rows & light.usable
    if bool(capture.flagged(SegmentFlag.CLIPPED)[read].any()) or _at_limit(capture.channels["light"], read):
        flags.add("clipped")
    if capture.meta.origin in ("imported", "attended"):
        flags.add(capture.meta.origin)
    return tuple(sorted(flags))


def _scale(channel: Channel, sensor: Sensor, luminance_scale: float | None) -> tuple[float, float, str]:
    if channel.unit != "V":
        return channel.scale, channel.offset, channel.unit
    factor, unit = (1.0, "V") if luminance_scale is None else (luminance_scale, "cd/m2")
    return channel.scale * factor, (channel.offset - sensor.dark_v) * factor, unit


def _at_limit(channel: Channel, rows: NDArray[np.bool_]) -> bool:
    """Whether a sample stands at the digitiser's first or last code."""
    codes = channel.codes[rows]
    if not codes.size:
        return False
    low = channel.code_min is not None and bool(codes.min() <= channel.code_min)
    return low or (channel.code_max is not None and bool(codes.max() >= channel.code_max))
