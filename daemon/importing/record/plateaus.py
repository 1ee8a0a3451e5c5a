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
    return Plateau(start, stop, float(tail.mean()), moving, float(u))


def _same(a: Plateau, b: Plateau, light: NDArray[np.float64]) -> bool:
    noise = _SAME_SIGMAS * float(np.hypot(a.u, b.u))
    span = float(light.max() - light.min())
    # A tenth of the smallest change looked for: two levels nearer than that can't have been told apart anyway.
    return abs(a.light - b.light) <= max(noise, 1e-4 * span)
