"""Domains: the scale on which reference levels are set. A trace itself is never mapped.

Every domain is a monotone function of light. A crossing of a reference level in the domain is the crossing of its light,
at the same instant; so only the reference levels are mapped, and the noise of the trace passes through no curve.

`luminance` is light itself. `code` is the level that would give this light at rest, through the DUT's own measured
curve, fitted to the two state levels of the trace (so that a drift of gain or dark between the captures moves nothing).
`lightness` is CIE 1976 L* relative to the highest level. `srgb`, `bt1886`, `pq` are code values by an assumed curve.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from greystep.schema.trace import Context, Curve
from numpy.typing import NDArray

from ..preparation.curve import Interpolant, level_light, strict
from . import greyscale

Array = NDArray[np.float64]
DomainName = Literal["luminance", "code", "lightness", "srgb", "bt1886", "pq"]
_ASSUMED: dict[str, tuple[Callable[[Array], Array], Callable[[Array], Array]]] = {
    "srgb": (greyscale.srgb_light, greyscale.srgb_signal),
    "bt1886": (greyscale.bt1886_light, greyscale.bt1886_signal),
    "pq": (greyscale.pq_light, greyscale.pq_signal),
}


@dataclass(frozen=True)
class Domain:
    """A scale, fitted to one transition."""

    name: str
    unit: str
    """V or cd/m2, `code`, or `L*`."""
    start: float
    """Start level on the scale."""
    end: float
    """End level on the scale."""
    value: Callable[[Array], Array] = field(repr=False)
    """Light -> scale."""
    light: Callable[[Array], Array] = field(repr=False)
    """Scale -> light."""
    lowest: float = -np.inf
    """Below this the scale is extrapolated."""
    highest: float = np.inf
    """Above this the scale is extrapolated."""
    flags: tuple[str, ...] = ()
    curve: Curve | None = None
    """The measured curve it rests on."""
    moved: Callable[[Array], Array] | None = field(default=None, repr=False)
    """Scale values [m] -> light [level, m] with each level of the curve in turn one standard uncertainty higher."""

    @property
    def step(self) -> float:
        """Signed step from start to end."""
        return self.end - self.start


def domain_of(
    name: DomainName, from_level: int, to_level: int, start_light: float, end_light: float, context: Context, unit: str
) -> Domain:
    """The scale `name` for a transition that rests at these two lights.

    Args:
        start_light: light at rest before, in `unit`.
        end_light: light at rest after.
        context: gives the curve and the bits of a level.
    """
    if name == "luminance":
        return Domain("luminance", unit, start_light, end_light, _same, _same)
    if name == "lightness":
        return _lightness(start_light, end_light, context)
    if name == "code" and context.curve is not None:
        curve = strict(context.curve)
        if len(curve.levels) >= 2 and level_light(curve, to_level)[0] != level_light(curve, from_level)[0]:
            return _measured(curve, context.curve.flags, from_level, to_level, start_light, end_light)
    assumed = "srgb" if name == "code" else name
    return _assumed(assumed, from_level, to_level, start_light, end_light, 2**context.bits - 1)


def _same(x: Array) -> Array:
    return np.asarray(x, dtype=np.float64)


def _lightness(start_light: float, end_light: float, context: Context) -> Domain:
    curve = context.curve
    white = max(start_light, end_light) if curve is None else float(curve.light[-1])
    # Light farther below dark than white lies above it has no lightness: an offset of the sensor is wrong.
    if not white > max(0.0, -min(start_light, end_light)):
        white = math.nan

    def value(light: Array) -> Array:
        return greyscale.lightness(np.asarray(light) / white)

    def light(scale: Array) -> Array:
        return greyscale.relative_of_lightness(scale) * white

    start, end = (float(v) for v in value(np.array([start_light, end_light])))
    return Domain("lightness", "L*", start, end, value, light, flags=("assumed_curve",) if curve is None else ())


def _measured(
    curve: Curve, flags: tuple[str, ...], from_level: int, to_level: int, start_light: float, end_light: float
) -> Domain:
    known = Interpolant.of(curve)
    ends = np.array([float(from_level), float(to_level)])
    first, last = (float(v) for v in known.light(ends))
    gain = (end_light - start_light) / (last - first)

    def moved(scale: Array) -> Array:
        """Light on the trace, for curves with other light at the same levels."""
        both = known.light_moved(np.concatenate([ends, scale]))
        low, high, there = both[..., :1], both[..., 1:2], both[..., 2:]
        return np.asarray(start_light + (there - low) * (end_light - start_light) / (high - low))

    def to_light(scale: Array) -> Array:
        return np.asarray(start_light + (known.light(scale) - first) * gain)

    def to_code(light: Array) -> Array:
        return known.codes(first + (np.asarray(light) - start_light) / gain)

    low, high = float(curve.levels[0]), float(curve.levels[-1])
    return Domain("code", "code", float(from_level), float(to_level), to_code, to_light, low, high, flags, curve, moved)


def _assumed(name: str, from_level: int, to_level: int, start_light: float, end_light: float, top: int) -> Domain:
    forward, backward = _ASSUMED[name]
    first, last = (float(v) for v in forward(np.array([from_level, to_level]) / top))

    def to_light(scale: Array) -> Array:
        v = np.asarray(scale, dtype=np.float64) / top
        # Odd about zero, so that a band below black is still monotone.
        y = np.sign(v) * forward(np.abs(v))
        return np.asarray(start_light + (y - first) * (end_light - start_light) / (last - first))

    def to_code(light: Array) -> Array:
        y = first + (np.asarray(light) - start_light) * (last - first) / (end_light - start_light)
        return np.asarray(top * np.sign(y) * backward(np.abs(y)))

    return Domain(name, "code", float(from_level), float(to_level), to_code, to_light, 0.0, float(top), ("assumed_curve",))
