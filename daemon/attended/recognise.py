"""What one record shows: which level before, which after, and whether it can be kept. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_TOLERANCE: Final = 0.03
"""Relative difference of light that may be drift or the hand that moved the sensor a little."""
_GAP_SHARE: Final = 0.35
"""Never nearer to another level than this part of the way."""
_SETTLED: Final = 0.01
"""Change of the light over the last quarter, as a part of the step, above which the record had not settled."""


@dataclass(frozen=True)
class Judged:
    """Verdict on one record of a change."""

    from_level: int | None
    to_level: int | None
    problem: str = ""
    """Why it can't be kept, with what to do; empty when it can."""

    @property
    def kept(self) -> bool:
        """Whether it fills its place."""
        return not self.problem


@dataclass(frozen=True)
class Held:
    """What a record of a held level shows."""

    light: float
    """Mean, in V."""
    noise: float
    """Standard deviation from sample to sample, in V, without ripple."""
    ripple: float
    """(max - min) / (max + min) of the light above dark, without noise."""
    moving: float
    """Change from the first to the last third, in V."""
    clipped: bool


def held(light: Array, clipped: bool, dark: float = 0.0) -> Held:
    """Figures of a record in which nothing should change.

    Args:
        light: [sample] in V.
        clipped: whether a sample stood at the end of the range.
        dark: light of level 0 in V, for the ripple.
    """
    third = max(len(light) // 3, 1)
    # First differences hold the noise twice, and nothing of what is slow.
    noise = float(np.median(np.abs(np.diff(light)))) / 0.6745 / np.sqrt(2.0) if len(light) > 2 else 0.0
    low, high = (float(q) - dark for q in np.quantile(light, (0.005, 0.995)))
    spread = max(high - low - 5.2 * noise, 0.0)
    ripple = spread / max(high + low, 1e-12) if high + low > 10 * noise else 0.0
    moving = float(light[-third:].mean() - light[:third].mean())
    return Held(float(light.mean()), noise, min(ripple, 1.0), moving, clipped)


def nearest(light: float, table: Mapping[int, float], u: float) -> int | None:
    """The level with this light, or None.

    Args:
        light: mean in V.
        table: level -> light in V.
        u: standard uncertainty of `light` in V.
    """
    levels = sorted(table, key=lambda v: abs(table[v] - light))
    best = levels[0]
    dark = min(table.values())
    gap = min((abs(table[v] - table[best]) for v in levels[1:]), default=float("inf"))
    allowed = max(_TOLERANCE * abs(table[best] - dark), 6 * u, 0.002 * (max(table.values()) - dark))
    return best if abs(table[best] - light) <= min(allowed, _GAP_SHARE * gap) else None


def judge(light: Array, pretrigger: int, table: Mapping[int, float], clipped: bool) -> Judged:
    """Judge one record of a change.

    Args:
        light: [sample] in V.
        pretrigger: samples before the trigger.
        table: level -> light in V.
        clipped: whether a sample stood at the end of the range.
    """
    head = light[: max(pretrigger - pretrigger // 8, 1)]
    tail = light[-max(len(light) // 4, 1) :]
    noise = held(light, clipped).noise
    before = nearest(float(head.mean()), table, noise / np.sqrt(len(head)))
    after = nearest(float(tail.mean()), table, noise / np.sqrt(len(tail)))
    step = float(tail.mean() - head.mean())
    half = len(tail) // 2
    moving = abs(float(tail[half:].mean() - tail[:half].mean()))
    settled = moving <= max(_SETTLED * abs(step), 6 * noise / np.sqrt(half or 1))
    if clipped:
        return Judged(before, after, "clipped: the light left the digitiser's range; retake (u: undo, c: check the placement)")
    if before is None:
        return Judged(
            None, after, f"the level before ({head.mean():.4g} V) is none of the plan; show a level of the plan first"
        )
    if not settled:
        return Judged(before, after, "not settled at the end of the record: wait longer between changes, or raise hold_s")
    if after is None:
        return Judged(before, None, f"the level after ({tail.mean():.4g} V) is none of the plan")
    if before == after:
        return Judged(before, after, f"no change: still level {before}")
    return Judged(before, after)


def light_of(codes: NDArray[Any], scale: float, offset: float) -> Array:
    """[sample] volts of codes."""
    return np.asarray(codes, dtype=np.float64) * scale + offset
