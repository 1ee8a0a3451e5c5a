"""Which crossing of a level counts: the rules of start and end, safe against spikes and noise.

Works on the trace scaled to 0 at rest before and 1 at rest after. The trace is smoothed just enough that its noise is small
against the distance between the level and the rest; a crossing counts only when the trace then goes clearly past the level
(hysteresis). What comes out is a place to look at, to about one smoothing width: `crossing` finds the instant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .record import ABOVE, BELOW, Means, Record
from .refusal import Refusal

StartRule = Literal["last_exit", "first_exit"]
EndRule = Literal["first_entry", "settled"]

CLEAR = 4.0
"""A level is clearly passed at this many standard deviations of the smoothed trace."""


@dataclass(frozen=True)
class Middle:
    """The transition at large."""

    place: float
    """First crossing of the half, in samples."""
    width: float
    """From the 20 % to the 80 % level, in samples, roughly."""


def smoothing(noise: float, distance: float, most: float) -> int:
    """Samples to average so that the hysteresis is at most half the distance between level and rest."""
    wanted = (2 * CLEAR * noise / max(distance, 1e-12)) ** 2
    # A whole number that rounding left a hair below counts as that number.
    return max(1, math.floor(min(wanted, most) + 1e-6))


def has_landing(record: Record, noise: float, middle: Middle) -> bool:
    """Whether the trace rests on the way: for over half of the time from 10 to 90 % it changes by less than 3 % of the step."""
    means = record.means(smoothing(noise, 0.1, max(1.0, middle.width / 16)))
    at = int(middle.place)
    before, after = means.last_outside(0.1, ABOVE, 0, at + 1), means.first_outside(BELOW, 0.9, at, len(record))
    if before is None or after is None:
        return False
    values = means.at(np.rint(np.linspace(before, after, 65)).astype(np.int64))
    return bool((np.abs(values[32:] - values[:-32]) < 0.03).any())


def find_middle(record: Record, noise: float) -> Middle | Refusal:
    """The first passage through the half; refused when the trace comes back below 40 % later."""
    n = len(record)
    means = record.means(smoothing(noise, 0.2, n / 8))
    first = means.first_outside(BELOW, 0.6, 0, n)
    if first is None:
        return Refusal("the light never passes the middle of the step", ("no_transition",))
    if means.first_outside(0.4, ABOVE, first, n) is not None:
        return Refusal("the light passes the middle of the step more than once", ("multiple_transitions",))
    below = means.last_outside(0.5, ABOVE, 0, first)
    low = means.last_outside(0.2, ABOVE, 0, first)
    high = means.first_outside(BELOW, 0.8, first, n)
    if below is None or high is None or low is None:
        return Refusal("the transition lies at the edge of the record", ("at_edge",))
    return Middle(below + 0.5, max(1.0, float(high - low)))


def find_start(record: Record, level: float, noise: float, middle: Middle, rule: StartRule) -> tuple[float, float]:
    """Place where the trace leaves the start level for good (`last_exit`) or for the first time (`first_exit`).

    Returns:
        Place in samples, and the noise of the smoothed trace over the distance of the level from the rest.
    """
    before = int(middle.place) + 1
    distance = max(level, 1e-6)
    width = smoothing(noise, distance, max(1.0, middle.width / 4))
    means = record.means(width)
    sigma = noise / math.sqrt(width)
    clear = min(CLEAR * sigma, distance / 2)
    if rule == "last_exit":
        first = means.last_outside(level - clear, ABOVE, 0, before) or 0
        above = means.first_inside(level, ABOVE, first, before)
        return float(before - 1 if above is None else above) - 0.5, sigma / distance
    last = means.first_outside(BELOW, level + clear, 0, before)
    below = means.last_outside(level, ABOVE, 0, before - 1 if last is None else last)
    return float(below or 0) + 0.5, sigma / distance


def find_end(
    record: Record, level: float, noise: float, middle: Middle, rule: EndRule, ceiling: float | None = None
) -> tuple[float, float, bool] | None:
    """Place where the trace enters the end band first, or for good (`settled`).

    Args:
        level: near edge of the band.
        ceiling: far edge, which a trace that overshoots leaves and enters again; None: as far beyond 1 as `level` is below.

    Returns:
        Place in samples, noise over distance, and whether it enters through the far edge; None when it never does.
    """
    top = 2 - level if ceiling is None else ceiling
    distance = max(abs(1 - level), 1e-6)
    after = int(middle.place)
    most, place = max(1.0, middle.width / 4), None
    for _ in range(4):
        width = smoothing(noise, distance, most)
        means = record.means(width)
        sigma = noise / math.sqrt(width)
        clear = min(CLEAR * sigma, distance / 2)
        end = len(record)
        place = (
            _first(means, after, level, clear, end) if rule == "first_entry" else _last(means, after, (level, top), clear, end)
        )
        if place is None:
            return None
        # Far down an exponential tail a wider window is as good: let it grow with the distance from the middle.
        if sigma * 2 * CLEAR <= distance * 1.01 or (place[0] - after) / 4 <= most:
            break
        most = (place[0] - after) / 4
    assert place is not None
    if rule == "settled":
        place = _left_again(record, noise, after, (level, top), place, width, middle)
        if place is None:
            return None
    return place[0], sigma / distance, place[1]


def _left_again(
    record: Record,
    noise: float,
    after: int,
    band: tuple[float, float],
    place: tuple[float, bool],
    width: int,
    middle: Middle,
) -> tuple[float, bool] | None:
    """The later place at which the band is entered for good, when the hysteresis hid that it was left once more.

    A ripple that leaves the band by less than the hysteresis shows in a wider mean, whose noise is smaller; such a mean only
    counts when it tells of an excursion well apart from the place found before, because it also smears the edge itself.
    """
    wide = 2 * width
    while wide <= middle.width:
        # Where means that far from the place average over nothing but samples within the band, they can't leave it, and no
        # wider ones either.
        near = math.floor(place[0] + 2 * wide) - wide // 2
        if place[0] + 2 * middle.width < len(record) - 1 and record.stays(*band, near):
            return place
        later = _last(record.means(wide), after, band, CLEAR * noise / math.sqrt(wide), len(record))
        if later is None:
            return None
        if later[0] > place[0] + 2 * wide:
            place = later
        wide *= 2
    return place


def _first(means: Means, after: int, level: float, clear: float, end: int) -> tuple[float, bool] | None:
    inside = means.first_outside(BELOW, level + clear, after, end)
    if inside is None:
        return None
    below = means.last_outside(level, ABOVE, after, inside)
    return (float(after) if below is None else below + 0.5), False


def _last(means: Means, after: int, band: tuple[float, float], clear: float, end: int) -> tuple[float, bool] | None:
    level, top = band
    outside = means.last_outside(level - clear, top + clear, after, end)
    last = after if outside is None else outside
    if last >= end - 1:
        return None
    inside = means.first_inside(level, top, last, end)
    if inside is None:
        return None
    return inside - 0.5, bool(means.at(np.array([last]))[0] > top)
