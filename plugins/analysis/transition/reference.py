"""Reference levels of a transition: from fractions of the step or a band on a scale, to light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .domain import Domain
from .refusal import Refusal

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Reference:
    """One reference level."""

    scale: float
    """On the method's scale."""
    light: float
    """In the unit of the trace."""
    ratio: float
    """0 at the start level, 1 at the end level, in light."""
    d_start: float
    """How far it moves in light when the start level moves by one."""
    d_end: float
    """The same for the end level."""
    curve_effects: tuple[tuple[str, float, float], ...] = ()
    """(`curve:LEVEL`, shift in light by one standard uncertainty of the curve there, degrees of freedom)."""
    outside: bool = False
    """Whether it lies beyond the ends of the measured curve."""


def reference_level(start: float, end: float, percent: float) -> float:
    """The x % reference level of IEEE 181: y(s1) + x/100 (y(s2) - y(s1))."""
    return start + percent / 100 * (end - start)


def band_refusal(domain: Domain, band: float) -> Refusal | None:
    """Refused where the two bands would touch: then no part of the step lies between them."""
    if band >= abs(domain.step) / 2:
        return Refusal(
            f"the band of {band:g} {domain.unit} is wider than half the step of {abs(domain.step):.4g} {domain.unit}",
            ("band_too_wide",),
        )
    return None


def references(
    domain: Domain, scales: Array, start: float, end: float, rebuild: Callable[[float, float], Domain] | None = None
) -> list[Reference]:
    """Light of scale values, with all that moves it.

    Args:
        domain: fitted to the transition.
        scales: [m] values on the scale.
        start: light at rest before.
        end: light at rest after.
        rebuild: the same scale for other state levels. None where the map is affine in them, as for all but lightness.
    """
    light = domain.light(scales)
    ratio = (light - start) / (end - start)
    d_start, d_end = 1 - ratio, ratio
    if rebuild is not None:
        fraction = (scales - domain.start) / domain.step
        tiny = 1e-4 * (end - start)
        d_start = (_light_at(rebuild(start + tiny, end), fraction) - light) / tiny
        d_end = (_light_at(rebuild(start, end + tiny), fraction) - light) / tiny
    effects = curve_effects(domain, scales, light)
    outside = (scales < domain.lowest) | (scales > domain.highest)
    return [
        Reference(float(s), float(y), float(r), float(a), float(b), effects[i], bool(outside[i]))
        for i, (s, y, r, a, b) in enumerate(zip(scales, light, ratio, d_start, d_end, strict=True))
    ]


def _light_at(domain: Domain, fraction: Array) -> Array:
    return domain.light(domain.start + fraction * domain.step)


def curve_effects(domain: Domain, scales: Array, light: Array) -> list[tuple[tuple[str, float, float], ...]]:
    """How one standard uncertainty of each level of the curve moves each reference."""
    curve = domain.curve
    if curve is None or domain.moved is None:
        return [() for _ in scales]
    shifts = domain.moved(scales) - light
    out = []
    for column in shifts.T:
        large = np.flatnonzero(np.abs(column) > 1e-9 * abs(float(curve.light[-1] - curve.light[0])))
        out.append(tuple((f"curve:{int(curve.levels[k])}", float(column[k]), float(curve.dof[k])) for k in large))
    return out
