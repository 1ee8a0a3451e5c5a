"""Plateaus between the changes: what light each level gave, and whether it had settled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .changes import WINDOW_S, Changes

_TAIL: Final = 0.35
"""Part of a plateau, at its end, that tells its light."""
_SAME_SIGMAS: Final = 5.0
_HIDDEN_SHARE: Final = 0.02
_HIDDEN_FLOOR: Final = 0.008
"""Residual ripple of a bright level must not look like a level."""


@dataclass(frozen=True)
class Plateau:
    """Light between two changes."""

    start: int
    """Point of the change that began it; 0 for the first."""
    stop: int
    """Point of the change that ended it; the end of the record for the last."""
    light: float
    """Mean over its tail."""
    moving: float
    """Change of the light over the tail, signed; what is still missing to the final level is of this order."""
    u: float
    """Standard uncertainty of `light` from noise."""
    stepped: bool = False
    """Whether the light stood still elsewhere before it came to its end: a step is hidden in it."""


def find_plateaus(changes: Changes) -> list[Plateau]:
    """Plateaus in order. Neighbours with the same light are one: between them stood a dip or a flash, not another level."""
    light = changes.smooth
    edges = [0, *(int(i) for i in changes.instants), len(light)]
    out: list[Plateau] = []
    for start, stop in pairwise(edges):
        if stop - start < 4:
            continue
        made = _measure(changes, start, stop, last=stop == len(light))
        if out and _same(out[-1], made, light):
            before = out.pop()
            made = replace(_measure(changes, before.start, stop, last=stop == len(light)), start=before.start)
        out.append(made)
    return out


def _measure(changes: Changes, start: int, stop: int, *, last: bool) -> Plateau:
    # A slow change is found up to a window after it began, and the smoothing carries it a period back.
    late = max(1.3 * WINDOW_S / changes.interval_s, 2.2 * changes.period) + 2
    margin = int(min(1.1 * changes.period if last else late, 0.3 * (stop - start)))
    end = max(stop - margin, start + 2)
    begin = max(end - max(int(_TAIL * (end - start)), 2), start)
    tail = changes.smooth[begin:end]
    window = max(1.0, max(WINDOW_S, changes.period * changes.interval_s) / changes.interval_s)
    u = changes.noise / np.sqrt(2.0) / np.sqrt(max(len(tail) / window, 1.0))
    half = max(len(tail) // 2, 1)
    moving = 2.0 * float(tail[-half:].mean() - tail[:half].mean())
    made = Plateau(start, stop, float(tail.mean()), moving, float(u))
    return replace(made, stepped=_stood_elsewhere(changes, made))


def _stood_elsewhere(changes: Changes, plateau: Plateau) -> bool:
    """Whether a settled plateau has a stretch on its way that hardly moves although it is far from the end.

    A transition that settles covers more than half of what is left within a fifth of the plateau.
    """
    light, length = changes.smooth, plateau.stop - plateau.start
    fifth = length // 5
    if fifth < 2 or plateau.start == 0:
        return False
    before = float(light[max(plateau.start - 3, 0)])
    at = plateau.start + np.linspace(0.1 * length, 0.5 * length, 9).astype(np.int64)
    width = max(fifth // 4, 1)
    total = np.concatenate([[0.0], np.cumsum(light[plateau.start : plateau.stop])])
    means = (total[width:] - total[:-width]) / width - plateau.light
    left, later = means[at - plateau.start], means[at - plateau.start + fifth]
    span = float(light.max() - light.min())
    least = max(_HIDDEN_SHARE * abs(before - plateau.light), 12 * plateau.u, 3 * abs(plateau.moving), _HIDDEN_FLOOR * span)
    return bool(((np.abs(left) > least) & (np.abs(later - left) < 0.25 * np.abs(left))).any())


def _same(a: Plateau, b: Plateau, light: NDArray[np.float64]) -> bool:
    noise = _SAME_SIGMAS * float(np.hypot(a.u, b.u))
    span = float(light.max() - light.min())
    # A tenth of the smallest change looked for: two levels nearer than that can't have been told apart anyway.
    return abs(a.light - b.light) <= max(noise, 1e-4 * span)
