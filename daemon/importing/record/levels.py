"""Which level each plateau is: from the light of known levels, from their known order, or from the times of a played file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from greystep.daemon.patterns.timeline import Timeline
from numpy.typing import NDArray

from .plateaus import Plateau

Array = NDArray[np.float64]
_GAIN: Final = 0.02
"""Relative change of the display's light that is taken as drift."""
_DRIFT_PLATEAUS: Final = 9
_DRIFT_ROUNDS: Final = 40
_VOTERS: Final = 2000
"""Changes that vote for the place of a played file; every pair votes, so that more would need much memory."""
_MISSING_SHARE: Final = 2.5
"""How much of the light may still be missing, as a multiple of its change over the tail of the plateau."""


@dataclass(frozen=True)
class Label:
    """Level of a plateau, or why there is none."""

    level: int | None
    reason: str = ""


def by_light(plateaus: Sequence[Plateau], table: Mapping[int, float]) -> list[Label]:
    """Levels from the light of known levels.

    A plateau is the level whose light it has: within the noise and the usual drift, never nearer to the next level than two
    thirds of the way, and, where it hadn't settled, within what its own motion says is still missing. Where two levels fit it
    stays unknown. A slow drift of the display
    or the sensor is followed by the plateaus that were recognised.

    Args:
        plateaus: in order.
        table: level -> light, at least two.
    """
    levels = sorted(table)
    labels = [_nearest(p, levels, table, 1.0) for p in plateaus]
    for _ in range(_DRIFT_ROUNDS):
        gain = _drift(plateaus, labels, table)
        again = [_nearest(p, levels, table, g) for p, g in zip(plateaus, gain, strict=True)]
        if again == labels:
            break
        labels = again
    return labels


def _nearest(plateau: Plateau, levels: Sequence[int], table: Mapping[int, float], gain: float) -> Label:
    dark = min(table.values())
    lights = np.array([dark + (table[v] - dark) * gain for v in levels])
    span = float(lights.max() - lights.min())
    gaps = np.diff(np.sort(lights), prepend=-np.inf, append=np.inf)
    nearest_gap = np.minimum(gaps[:-1], gaps[1:])[np.argsort(np.argsort(lights, kind="stable"), kind="stable")]
    allowed = np.minimum(np.maximum(_GAIN * np.abs(lights - dark), max(0.003 * span, 6 * plateau.u)), 0.35 * nearest_gap)
    missing = _MISSING_SHARE * plateau.moving if abs(plateau.moving) > max(0.004 * span, 8 * plateau.u) else 0.0
    low, high = plateau.light + min(missing, 0.0), plateau.light + max(missing, 0.0)
    fits = [v for v, light, a in zip(levels, lights, allowed, strict=True) if low - a <= light <= high + a]
    if len(fits) == 1:
        return Label(fits[0])
    told = f"its light {plateau.light:.4g}" + (" had not settled and" if missing else "")
    if fits:
        return Label(None, f"{told} may become that of {' or '.join(map(str, fits))}")
    order = np.argsort(np.abs(plateau.light - lights))[:2]
    near = " and ".join(str(v) for v in sorted(levels[int(j)] for j in order))
    return Label(None, f"{told} is that of none of the known levels (nearest: {near})")


def _drift(plateaus: Sequence[Plateau], labels: Sequence[Label], table: Mapping[int, float]) -> Array:
    """[plateau] gain against the table: running median of the bright recognised plateaus."""
    dark, top = min(table.values()), max(table.values())
    at, ratio = [], []
    for i, (p, label) in enumerate(zip(plateaus, labels, strict=True)):
        if label.level is None:
            continue
        expected = table[label.level] - dark
        if expected > 0.2 * (top - dark) and abs(p.moving) < 0.01 * expected:
            at.append(i)
            ratio.append((p.light - dark) / expected)
    if len(at) < 3:
        return np.ones(len(plateaus))
    half = _DRIFT_PLATEAUS // 2
    running = [float(np.median(ratio[max(k - half, 0) : k + half + 1])) for k in range(len(ratio))]
    return np.asarray(np.interp(np.arange(len(plateaus)), at, running))


def by_order(plateaus: Sequence[Plateau], order: Sequence[int], table: Mapping[int, float] | None = None) -> list[Label]:
    """Levels from the known order: the sequence of plateaus is aligned with it, whatever is missing or was shown twice.

    The light of each level is learned on the way, starting from a display of gamma 2.2. Plateaus that don't fit the order
    (a step repeated, a wrong level) are then recognised by their light like any other.

    Args:
        plateaus: in order of time.
        order: levels as shown; a level given twice in a row is one plateau.
        table: level -> light where it is known.
    """
    shown = [v for i, v in enumerate(order) if i == 0 or v != order[i - 1]]
    light = np.array([p.light for p in plateaus])
    learned = dict(table) if table else _guess(light, shown)
    span = max(float(light.max() - light.min()), 1e-300)
    match: list[int | None] = [None] * len(plateaus)
    for width in (0.15, 0.08, 0.04, 0.025, 0.025, 0.025):
        match = align(light, np.array([learned[v] for v in shown]), width * span)
        learned = _learn(plateaus, match, shown, learned)
    labels = by_light(plateaus, learned) if len(learned) > 1 else [Label(None, "one level only")] * len(plateaus)
    # Settled light is believed more than the order, the order more than light on its way.
    settled = [abs(p.moving) <= max(0.004 * span, 8 * p.u) for p in plateaus]
    return [
        label if j is None or (label.level is not None and sure) else Label(shown[j])
        for j, label, sure in zip(match, labels, settled, strict=True)
    ]


def _guess(light: Array, shown: Sequence[int]) -> dict[int, float]:
    low, high = float(light.min()), float(light.max())
    bottom, top = min(shown), max(shown)
    base, size = (bottom / 255) ** 2.2, max((top / 255) ** 2.2 - (bottom / 255) ** 2.2, 1e-12)
    return {v: low + (high - low) * (((v / 255) ** 2.2 - base) / size) for v in set(shown)}


def _learn(
    plateaus: Sequence[Plateau], match: Sequence[int | None], shown: Sequence[int], before: Mapping[int, float]
) -> dict[int, float]:
    found: dict[int, list[float]] = {}
    for p, j in zip(plateaus, match, strict=True):
        if j is not None:
            found.setdefault(shown[j], []).append(p.light)
    return {v: float(np.median(found[v])) if v in found else light for v, light in before.items()}


def align(light: Array, expected: Array, width: float) -> list[int | None]:
    """Best alignment of plateaus with an order; which element of the order each plateau is, None: none.

    Dynamic programming over (plateau, element): a match costs the squared distance of the lights in units of `width`, passing
    over a plateau or an element costs 4.

    Args:
        light: [plateau] light.
        expected: [element] light.
        width: distance that costs 1, in the light's unit.
    """
    n, m = len(light), len(expected)
    skip = 4.0
    cost = skip * np.arange(m + 1)
    came = np.zeros((n + 1, m + 1), np.uint8)  # 0 match, 1 plateau passed over, 2 element passed over
    came[0, 1:] = 2
    ramp = skip * np.arange(m + 1)
    for i in range(n):
        matched = np.concatenate([[np.inf], cost[:-1] + ((light[i] - expected) / width) ** 2])
        passed = cost + skip
        best = np.minimum(matched, passed)
        swept = np.minimum.accumulate(best - ramp) + ramp
        came[i + 1] = np.where(swept < best - 1e-9, 2, np.where(passed < matched, 1, 0))
        cost = swept
    return _trace_back(came, n, m)


def _trace_back(came: NDArray[np.uint8], n: int, m: int) -> list[int | None]:
    out: list[int | None] = [None] * n
    i, j = n, m
    while i > 0 or j > 0:
        step = came[i, j] if i > 0 else 2
        if step == 2 or (step == 0 and j == 0):
            j -= 1
        elif step == 1:
            i -= 1
        else:
            i, j = i - 1, j - 1
            out[i] = j
    return out


def by_timeline(plateaus: Sequence[Plateau], interval_s: float, timeline: Timeline) -> list[Label]:
    """Levels from the times of a played file, wherever it begins in the record and however often it was played.

    Args:
        plateaus: in order.
        interval_s: between the points of the plateaus.
        timeline: what was played.
    """
    labels = [Label(None, "outside the played pattern") for _ in plateaus]
    edges = np.array([p.start * interval_s for p in plateaus])
    light = np.array([p.light for p in plateaus])
    free = np.ones(len(plateaus), dtype=bool)
    free[0] = False  # the start of the record is no change
    due = timeline.starts_s[1:][np.diff(timeline.levels) != 0]
    while free.sum() >= max(3, len(due) // 2):
        fit = _fit(edges[free], due)
        if fit is None:
            break
        offset, scale = fit
        middle = np.array([(p.start + p.stop) / 2 * interval_s for p in plateaus])
        inside = (middle - offset) / scale
        played = (inside >= timeline.starts_s[0]) & (inside < timeline.end_s)
        at = np.searchsorted(timeline.starts_s, inside, side="right") - 1
        for k in np.flatnonzero(played & ~_labelled(labels)):
            labels[k] = Label(timeline.levels[int(at[k])])
        used = (edges - offset >= timeline.starts_s[0] - 0.1) & (edges - offset <= timeline.end_s * scale + 0.1)
        if not (free & used).any():
            break
        free &= ~used
    return _outliers(labels, light)


def _labelled(labels: Sequence[Label]) -> NDArray[np.bool_]:
    return np.array([label.level is not None for label in labels])


def _fit(edges: Array, due: Array, tolerance_s: float = 0.04) -> tuple[float, float] | None:
    """(offset, scale) that lets most due changes meet a found one; None when fewer than 60 % do.

    Every pair of a due and a found change votes for an offset; the start marker's uneven times make the vote unique.
    """
    votes = np.sort((edges[:_VOTERS, None] - due[None, :_VOTERS]).ravel())
    counts = np.searchsorted(votes, votes + tolerance_s) - np.arange(len(votes))
    k = int(np.argmax(counts))
    offset, scale = float(np.median(votes[k : k + int(counts[k])])), 1.0
    met = 0
    for _ in range(4):
        expected = offset + scale * due
        nearest = np.searchsorted(edges, expected)
        left = np.clip(nearest - 1, 0, len(edges) - 1)
        right = np.clip(nearest, 0, len(edges) - 1)
        closer = np.where(np.abs(edges[left] - expected) <= np.abs(edges[right] - expected), left, right)
        good = np.abs(edges[closer] - expected) < tolerance_s
        met = int(good.sum())
        if met < 3:
            return None
        scale, offset = np.polyfit(due[good], edges[closer][good], 1)
        if abs(scale - 1) > 0.01:
            offset, scale = float(np.median(edges[closer][good] - due[good])), 1.0
    return (float(offset), float(scale)) if met >= 0.6 * len(due) else None


def _outliers(labels: Sequence[Label], light: Array) -> list[Label]:
    """Labels without those whose light contradicts the other plateaus of the same level."""
    out = list(labels)
    known = [label.level for label in labels]
    span = max(float(light.max() - light.min()), 1e-300)
    for level in {v for v in known if v is not None}:
        at = [i for i, v in enumerate(known) if v == level]
        centre = float(np.median(light[at]))
        for i in at:
            if abs(light[i] - centre) > 0.1 * span:
                out[i] = replace(labels[i], level=None, reason=f"its light {light[i]:.4g} is not that of level {level}")
    return out
