"""Small drawings of traces as SVG paths: quick, printed as they are, and seen without any script."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from greystep.schema.trace import Transition

from .decimate import Envelope, bin_edges, envelope

WIDTH, HEIGHT = 120, 64
_PAD = 4


@dataclass(frozen=True)
class Sketch:
    """One transition in a box of WIDTH by HEIGHT."""

    from_level: int
    to_level: int
    path: str
    """`d` of the mean trace."""
    references: tuple[float, ...]
    """y of the reference levels."""
    start: float | None
    end: float | None
    """x where the transition starts and ends; None where it could not be told."""
    label: str
    """For screen readers."""


def sketch(
    transition: Transition, window_s: tuple[float, float], instants_s: tuple[float, float] | None, references: tuple[float, ...]
) -> Sketch:
    """Draw the mean trace within a window.

    Args:
        transition: prepared.
        window_s: what part of the record, relative to the level command.
        instants_s: start and end under the house method; None: not found.
        references: levels to draw, in the light's unit.
    """
    times = transition.times_s
    inside = (times >= window_s[0]) & (times <= window_s[1])
    if not inside.any():
        inside[:] = True
    light = transition.light[:, inside].mean(axis=0, keepdims=True)
    times = times[inside]
    made = envelope(times, light, bin_edges(times, None, 40, 20))
    low, high = float(made.low.min()), float(made.high.max())
    span = high - low or 1.0

    def y(value: float) -> float:
        return round(HEIGHT - _PAD - (HEIGHT - 2 * _PAD) * (value - low) / span, 1)

    def x(time_s: float) -> float:
        return round(float(WIDTH * (time_s - times[0]) / (times[-1] - times[0] or 1.0)), 1)

    shown = [x(t) for t in instants_s] if instants_s else [None, None]
    label = f"trace from level {transition.from_level} to level {transition.to_level}"
    lines = tuple(y(r) for r in references if low - span <= r <= high + span)
    return Sketch(transition.from_level, transition.to_level, _path(made, x, y), lines, shown[0], shown[1], label)


def _path(made: Envelope, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    points: list[tuple[float, float]] = []
    for t, low, high, mean in zip(made.times_s, made.low, made.high, made.mean, strict=True):
        ends = [y(low), y(high)]
        # A bin whose extremes differ visibly is drawn as a stroke, from the side where the line comes from: no peak is lost.
        ys = [y(mean)] if abs(ends[1] - ends[0]) <= 1.5 else ends
        if points and len(ys) == 2 and abs(points[-1][1] - ys[1]) < abs(points[-1][1] - ys[0]):
            ys.reverse()
        points += [(x(float(t)), v) for v in ys]
    return "M" + "L".join(f"{a:g},{b:g}" for a, b in points)


def window_of(transition: Transition, instants: list[tuple[float, float]]) -> tuple[float, float]:
    """Part of the record worth looking at: the transition under every method, with half its length around; else all."""
    times = transition.times_s
    first, last = float(times[0]), float(times[-1])
    known = [t for pair in instants for t in pair if np.isfinite(t)]
    if not known:
        return first, last
    begin, end = min(known), max(known)
    around = max(0.6 * (end - begin), 20 * transition.interval_s)
    return max(first, begin - around), min(last, end + 2 * around)
