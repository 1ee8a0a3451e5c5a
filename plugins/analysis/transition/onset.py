"""Where the light begins to change, extrapolated from the instants of three low levels.

A light that begins as (t - t0)^p passes levels L, gL, g^2 L at t1, t2, t3 with (t3 - t2) / (t2 - t1) = g^(1/p) = r, so that
t0 = t1 - (t2 - t1) / (r - 1), whatever p is [derived]. A first visible change would depend on the noise. Where the light begins
so abruptly that r can't be told, the line through the first two instants is extended to zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from .instant import Instant
from .reference import Reference
from .refusal import Refusal
from .timing import Timing

ONSET_RATIO = 3.0
"""Ratio of one level of the onset to the one before."""
ONSET_LOWEST, ONSET_HIGHEST = 0.002, 0.02
"""Lowest level of the onset, as a part of the step in light: the lower, the nearer the true beginning, as far as noise
allows."""


def onset_weights(first: float, second: float, third: float) -> tuple[float, float, float]:
    """Partial derivatives of the extrapolated onset by the three instants; it is of degree one in them, so they are its
    weights too."""
    a, b = second - first, third - second
    if a <= 0 or b <= 0:
        return 1.0, 0.0, 0.0
    ratio = b / a
    if not 1.12 < ratio < ONSET_RATIO:
        line = 1 / (ONSET_RATIO - 1)
        return 1 + line, -line, 0.0
    # t0 = t1 - a^2 / (b - a)
    by_a, by_b = -(2 * a * (b - a) + a * a) / (b - a) ** 2, a * a / (b - a) ** 2
    return 1 - by_a, by_a - by_b, by_b


@dataclass(frozen=True)
class Onset:
    """Where the light begins to change."""

    timing: Timing
    u_model: float
    """Standard uncertainty of the extrapolation, in samples: from what it gives when it starts from higher levels."""


def find_onset(instant: Callable[[float], Instant | Refusal], noise: float) -> Onset | Refusal:
    """The onset of a transition.

    Args:
        instant: the instant at which the light leaves a level, given as a part of the step.
        noise: of the smoothed trace, as a part of the step; the levels begin at ten times as much.
    """
    lowest = min(max(10 * noise, ONSET_LOWEST), ONSET_HIGHEST)
    instants = []
    for power in range(4):
        found = instant(lowest * ONSET_RATIO**power)
        if isinstance(found, Refusal):
            return found
        instants.append(found)
    places = [i.position for i in instants]
    near = Timing(tuple(zip(onset_weights(*places[:3]), instants[:3], strict=True)))
    far = Timing(tuple(zip(onset_weights(*places[1:]), instants[1:], strict=True)))
    return Onset(near, abs(near.samples - far.samples))


def hidden_instant(first: Instant, second: Instant, reference: Reference) -> Instant:
    """The instant of a level that the noise hides, from those of the lowest visible level and of one three times as high.

    They are D apart. Light that begins as (t - t0)^p passes a level a fortieth of the visible one about D/2 before it for p = 1
    (one pole), D for p = 2 (two poles), 2 D for p = 4.4 (two poles out of black on a 2.2 power curve): it is placed 1.25 D
    before, with 0.75 D as its standard uncertainty.
    """
    apart = second.position - first.position
    replicates = 2.25 * first.replicates - 1.25 * second.replicates
    return replace(
        first,
        reference=reference,
        position=first.position - 1.25 * apart,
        replicates=replicates,
        slack=0.75 * abs(apart),
    )
