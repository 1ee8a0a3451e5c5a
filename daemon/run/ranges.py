"""The vertical range of the light channel: from what was seen at the levels, with room for overshoot and noise."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from greystep.schema.capture import Channel
from greystep.schema.roles import ChannelSetup, DigitiserLimits

HEADROOM = 0.4
"""Room beyond both levels as a part of their distance: strong overdrive overshoots by a fifth and more."""
WIDER = 1.6
"""A clipped try is repeated with a range so much wider."""
_FLOOR = 0.02
"""The range is never narrower than this part of the widest that was seen, so that noise and dips don't clip."""
_LEAST_V = 0.02
"""Smallest range that is asked for where the digitiser does not say its own: one of 1 mV a division refuses less than 0.01 V,
and the dark level of an OLED asks for less by chance."""


@dataclass
class SeenLight:
    """Lowest and highest voltage seen while a level was held."""

    by_level: dict[int, tuple[float, float]] = field(default_factory=dict)

    def note(self, level: int, light: Channel) -> None:
        """Take note of a steady record."""
        low = float(np.min(light.codes)) * light.scale + light.offset
        high = float(np.max(light.codes)) * light.scale + light.offset
        self.by_level[level] = (min(low, high), max(low, high))

    def span(self, levels: Iterable[int]) -> tuple[float, float] | None:
        """Lowest and highest voltage over the levels; None when one of them was not seen."""
        seen = [self.by_level.get(level) for level in levels]
        if not seen or None in seen:
            return None
        return min(s[0] for s in seen if s), max(s[1] for s in seen if s)

    def widest(self) -> float:
        """Distance between the lowest and highest voltage ever seen."""
        if not self.by_level:
            return 0.0
        return max(s[1] for s in self.by_level.values()) - min(s[0] for s in self.by_level.values())


def least_range_v(limits: DigitiserLimits) -> float:
    """The smallest range that may be asked for."""
    if limits.ranges_v:
        return limits.ranges_v[0]
    return _LEAST_V if limits.min_range_v is None else limits.min_range_v


def range_for(span: tuple[float, float], widest_v: float, limits: DigitiserLimits, factor: float = 1.0) -> ChannelSetup:
    """A range that holds the span with headroom, from the digitiser's own steps where it has some.

    Args:
        span: lowest and highest expected voltage.
        widest_v: distance of the extremes over all levels.
        limits: of the digitiser.
        factor: wider by so much, after a clipped try.
    """
    low, high = span
    need = max((high - low) * (1 + 2 * HEADROOM), widest_v * _FLOOR, least_range_v(limits)) * factor
    allowed = [r for r in (limits.ranges_v or ()) if r >= need]
    chosen = allowed[0] if allowed else (limits.ranges_v[-1] if limits.ranges_v else need)
    return ChannelSetup(range_v=float(chosen), offset_v=(low + high) / 2)
