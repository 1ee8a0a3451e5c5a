"""The code-to-light curve of a display, from its steady captures: levels -> mean light, monotone, with uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from greystep.schema.trace import Curve, Steady
from numpy.typing import NDArray

from ..findings import shared
from .monotone import hermite_slopes, interpolate, invert, pool_adjacent_violators

Array = NDArray[np.float64]


def whole_periods(samples: int, interval_s: float, period_s: float) -> int:
    """Samples in as many whole periods as fit, so that a mean over them carries no ripple; all samples without a period."""
    if period_s <= 0:
        return samples
    periods = math.floor(samples * interval_s / period_s + 1e-9)
    return max(1, min(samples, round(periods * period_s / interval_s))) if periods else samples


def steady_mean(steady: Steady, period_s: float = 0.0) -> tuple[float, float, float]:
    """Mean light of a held level over whole ripple periods, its standard uncertainty and degrees of freedom.

    Several segments: scatter of their means. One segment: scatter of the means of 8 stretches, each of whole periods, which
    includes slow noise that a per-sample scatter would miss.
    """
    light = steady.light
    count = whole_periods(light.shape[1], steady.interval_s, period_s)
    means = light[:, :count].mean(axis=1)
    floor = steady.quantum / math.sqrt(12 * count) if steady.quantum else 0.0
    if len(means) < 3:
        stretch = whole_periods(light.shape[1] // 8, steady.interval_s, period_s)
        parts = min(8, light.shape[1] // max(1, stretch))
        if parts > 1:
            pieces = light[:, : parts * stretch].reshape(len(light) * parts, stretch).mean(axis=1)
            n = len(pieces)
            return float(means.mean()), math.hypot(float(pieces.std(ddof=1)) / math.sqrt(n), floor), float(n - 1)
    if len(means) < 2:
        return float(means.mean()), floor, 1.0
    scatter = float(means.std(ddof=1)) / math.sqrt(len(means))
    return float(means.mean()), math.hypot(scatter, floor), float(len(means) - 1)


def curve_of(steadies: Sequence[Steady], period_s: float = 0.0) -> Curve | None:
    """The curve from held levels; repeated levels are averaged. None with fewer than two levels."""
    found: dict[int, list[tuple[float, float, float]]] = {}
    for steady in steadies:
        if steady.light.size and np.isfinite(steady.light).all():
            found.setdefault(steady.level, []).append(steady_mean(steady, period_s))
    if len(found) < 2:
        return None
    levels = np.array(sorted(found), dtype=np.float64)
    merged = [_merge(found[int(level)]) for level in levels]
    light, u, dof = (np.array(column) for column in zip(*merged, strict=True))
    if light[-1] < light[0]:
        return Curve(levels, light, u, dof, steadies[0].unit, flags=("curve_not_monotone",))
    weights = 1 / np.maximum(u, 1e-6 * max(float(np.ptp(light)), 1e-30)) ** 2
    pooled = pool_adjacent_violators(light, weights)
    moved = np.abs(pooled - light)
    flags: tuple[str, ...] = tuple({f for s in steadies for f in s.flags if f in ("clipped",)})
    if bool((moved > 3 * u + 1e-12).any()):
        flags = (*flags, "curve_not_monotone")
    return Curve(levels, pooled, np.hypot(u, moved / math.sqrt(3)), dof, steadies[0].unit, flags=tuple(sorted(flags)))


def _merge(parts: list[tuple[float, float, float]]) -> tuple[float, float, float]:
    """Mean of several captures of one level: their scatter counts when it is larger than what each says of itself."""
    means = np.array([p[0] for p in parts])
    inside = math.sqrt(sum(p[1] ** 2 for p in parts)) / len(parts)
    dof = sum(p[2] for p in parts)
    if len(parts) == 1:
        return float(means[0]), inside, dof
    scatter = float(means.std(ddof=1)) / math.sqrt(len(parts))
    return float(means.mean()), max(inside, scatter), dof if inside >= scatter else float(len(parts) - 1)


def gamma_of(curve: Curve) -> float:
    """Exponent that makes the curve nearly straight: slope of log light above the lowest level over log code, to one
    decimal."""
    rise = curve.light - curve.light[0]
    code = curve.levels - curve.levels[0]
    use = (rise > 1e-4 * rise[-1]) & (code > 0)
    if use.sum() < 3:
        return 2.2
    x, y = np.log(code[use] / code[-1]), np.log(rise[use] / rise[-1])
    weight = code[use] / code[-1]
    slope = float((weight * x * y).sum() / max(float((weight * x * x).sum()), 1e-30))
    return min(max(round(slope, 1), 1.0), 4.0)


def strict(curve: Curve) -> Curve:
    """The curve without levels that pooling made equal to the one before, so that it can be inverted; worked out once."""
    return shared(curve, "strict", (), lambda: _strict(curve))


def _strict(curve: Curve) -> Curve:
    keep = np.concatenate([[True], np.diff(curve.light) > 1e-9 * max(float(np.ptp(curve.light)), 1e-30)])
    if keep.all():
        return curve
    return replace(curve, levels=curve.levels[keep], light=curve.light[keep], u=curve.u[keep], dof=curve.dof[keep])


@dataclass(frozen=True)
class Interpolant:
    """A curve between its levels: monotone cubics in a coordinate in which a display's curve is nearly a straight line.

    The coordinate is the signed power 1/gamma of the relative light above the lowest level. Outside the measured levels the end
    chord is extended (the flag `outside_curve` is the caller's).
    """

    levels: Array
    gamma: float
    black: float
    span: float
    heights: Array
    """[level] the curve in the coordinate."""
    slopes: Array
    """[level]"""
    moved_heights: Array
    """[moved, level] the same with each level's light in turn one standard uncertainty higher."""
    moved_slopes: Array
    """[moved, level]"""

    @classmethod
    def of(cls, curve: Curve) -> Interpolant:
        """Of a strictly increasing curve with at least two levels; worked out once a curve."""
        return shared(curve, "interpolant", (), lambda: cls._made(curve))

    @classmethod
    def _made(cls, curve: Curve) -> Interpolant:
        gamma, black, span = gamma_of(curve), float(curve.light[0]), float(curve.light[-1] - curve.light[0])
        heights = _power((curve.light - black) / span, 1 / gamma)
        moved = _power((curve.light + np.diag(curve.u) - black) / span, 1 / gamma)
        slopes = hermite_slopes(curve.levels, np.vstack([heights, moved]))
        return cls(curve.levels, gamma, black, span, heights, slopes[0], moved, slopes[1:])

    def light(self, codes: Array) -> Array:
        """[m] light of codes."""
        height = interpolate(self.levels, self.heights, np.asarray(codes, dtype=np.float64), self.slopes)
        return self.black + self.span * _power(height, self.gamma)

    def codes(self, light: Array) -> Array:
        """[m] codes whose light is given: the inverse of `light`."""
        heights = _power((np.asarray(light, dtype=np.float64) - self.black) / self.span, 1 / self.gamma)
        return invert(self.levels, self.heights, heights, slopes=self.slopes)

    def light_moved(self, codes: Array) -> Array:
        """[moved, m] light of codes, with each level's light in turn one standard uncertainty higher."""
        places = np.asarray(codes, dtype=np.float64)
        return self.black + self.span * _power(
            interpolate(self.levels, self.moved_heights, places, self.moved_slopes), self.gamma
        )


def _power(values: Array, exponent: float) -> Array:
    return np.asarray(np.sign(values) * np.abs(values) ** exponent)


def level_light(curve: Curve, level: int) -> tuple[float, float, float]:
    """Light of one level with standard uncertainty and degrees of freedom; interpolated when it was not held."""
    hit = np.flatnonzero(curve.levels == level)
    if len(hit):
        i = int(hit[0])
        return float(curve.light[i]), float(curve.u[i]), float(curve.dof[i])
    value = float(Interpolant.of(strict(curve)).light(np.array([float(level)]))[0])
    i = int(np.argmin(np.abs(curve.levels - level)))
    return value, float(curve.u.max()), float(curve.dof[i])
