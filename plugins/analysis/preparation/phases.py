"""Where the ripple stands in each segment: the phase and the frequency by which its waveform is laid under the trace."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from greystep.schema.trace import Ripple
from numpy.typing import NDArray

from .folding import bins_of, circular_mean, gradient_of, is_smooth, match, turns_along, waveform_at, wrapped

Array = NDArray[np.float64]

TOGETHER: Final = 0.03
"""Spread of the segments' phases, in turns, below which they are taken as one phase locked to the trigger."""
PARTS: Final = 12
"""Stretches of a segment whose phases are compared."""
SHALLOW: Final = 0.25
"""Depth of a ripple through which the state levels can be seen sample by sample."""


@dataclass(frozen=True)
class Phases:
    """Where the ripple stands in each segment."""

    turns: Array
    """[segment] phase at the first sample."""
    frequency_hz: Array
    """[segment]"""

    @property
    def locked(self) -> bool:
        """Whether all segments have one phase and one frequency."""
        return bool((self.turns == self.turns[0]).all() and (self.frequency_hz == self.frequency_hz[0]).all())


@dataclass(frozen=True)
class Held:
    """Where one segment rests, and at what light."""

    use: NDArray[np.bool_]
    """[sample]"""
    level: Array
    """[sample] light with the ripple averaged away."""


def find_phases(light: Array, base: Array, ripple: Ripple, interval_s: float) -> Phases:
    """Phase of the ripple in each segment, matched with its waveform where the light rests.

    Args:
        light: [segment, sample].
        base: [segment, sample] light with the ripple averaged away; the ripple's amplitude follows it.
        ripple: with its waveform.
    """
    assert ripple.waveform is not None
    bins, nominal = len(ripple.waveform), ripple.frequency_hz
    frequencies = np.array([nominal + _detuning(*pair, ripple, interval_s) for pair in zip(light, base, strict=True)])
    turns, strength = np.empty(len(light)), np.empty(len(light))
    smooth = is_smooth(ripple.waveform)
    for i, (row, mean) in enumerate(zip(light, base, strict=True)):
        place = bins_of(light.shape[1], interval_s, float(frequencies[i]), 0.0, bins)
        held, covered = _held(row, mean, place, ripple, interval_s)
        at, level = place[held.use], held.level[held.use]
        sums = np.bincount(at, (row[held.use] - level) * level, bins)
        weight = np.bincount(at, level * level, bins)
        # A point seen in the dark alone says nothing, however large its quotient.
        profile = sums / np.maximum(weight, max(1e-3 * float(weight.max()), 1e-300))
        turns[i], strength[i] = -match(profile, ripple.waveform) % 1.0, float(weight.sum()) * covered
        if smooth and covered:
            turns[i] = _tuned(row, held, ripple.waveform, float(turns[i]), float(frequencies[i]) * interval_s)
    # Segments that rest in the dark say little: where the bright ones agree, theirs is the phase of all.
    bright = strength >= 0.3 * strength.max()
    locked, spread = circular_mean(turns[bright], strength[bright])
    if bright.sum() > 1 and spread < TOGETHER and bool((frequencies[bright] == nominal).all()):
        turns, frequencies = np.full(len(turns), locked), np.full(len(turns), nominal)
    return Phases(turns, frequencies)


def _held(row: Array, mean: Array, place: NDArray[np.intp], ripple: Ripple, interval_s: float) -> tuple[Held, float]:
    """Where a segment rests, and 1 if a whole period lies in there, else next to nothing."""
    assert ripple.waveform is not None
    bins, width = len(ripple.waveform), 1 / (ripple.frequency_hz * interval_s)

    def covers(held: Held) -> bool:
        """Whether every phase is seen, and seen in the light."""
        lit = held.use & (held.level > 0.3 * float(mean.max()))
        seen = np.bincount(place[lit], minlength=bins) > 0
        # One point in between may stay empty by rounding; a dip may be hardly longer than that.
        return bool((seen | np.roll(seen, 1) | np.roll(seen, -1)).all())

    found = Held(_resting(mean, width), mean)
    if covers(found):
        return found, 1.0
    if ripple.depth < SHALLOW:
        found = _outside_transition(row, ripple, width)
        if covers(found):
            return found, 1.0
    return Held(np.ones(len(row), dtype=np.bool_), mean), 1e-6


def _resting(base: Array, width: float) -> NDArray[np.bool_]:
    """[sample] where the light hardly changes within a period, and a whole period lies around."""
    half = math.ceil(width / 2)
    n = len(base)
    change = np.zeros(n)
    if n > 2 * half:
        change[half : n - half] = np.abs(base[2 * half :] - base[: n - 2 * half])
    use = change < 0.02 * np.maximum(base, 0.2 * float(base.max()))
    use[:half], use[n - half :] = False, False
    return np.asarray(use)


def _outside_transition(row: Array, ripple: Ripple, width: float) -> Held:
    """The record up to where it leaves its first level by more than the ripple does, and from where it stays at its last,
    with a quarter of a period of distance: a record of a few periods has no more to offer."""
    n, period = len(row), min(math.ceil(width), len(row))
    assert ripple.waveform is not None
    middle = float(np.median(ripple.waveform))
    first, last = float(np.median(row[:period])) / middle, float(np.median(row[-period:])) / middle
    room = 3 * ripple.depth * max(first, last) + 6 * float(np.std(np.diff(row[:period]))) / math.sqrt(2)
    away, short = np.abs(row - first) > room, np.abs(row - last) > room
    margin = math.ceil(width / 4)
    begin = max(0, (int(away.argmax()) if away.any() else n) - margin)
    end = min(n, (n - int(short[::-1].argmax()) if short.any() else 0) + margin)
    use = np.zeros(n, dtype=np.bool_)
    level = np.full(n, last)
    level[:begin] = first
    use[:begin], use[end:] = True, True
    return Held(use, level)


def _tuned(row: Array, held: Held, waveform: Array, phase: float, cycles: float) -> float:
    """The phase by least squares between waveform and trace, from a phase that is nearly right.

    Args:
        cycles: of the ripple, a sample.
    """
    points = len(waveform)
    slope = gradient_of(waveform) * points
    telling = np.abs(slope) > 0.1 * float(np.abs(slope).max())
    telling |= np.roll(telling, 2) | np.roll(telling, -2)
    use = np.flatnonzero(held.use & telling[bins_of(len(row), cycles, 1.0, phase, points)])
    level, seen = held.level[use], row[use]
    best, least = phase, math.inf
    for _ in range(4):
        turns = turns_along(phase, cycles, use)
        off = seen - level * waveform_at(waveform, turns)
        cost = float(off @ off)
        if cost >= least:
            break
        best, least = phase, cost
        weight = waveform_at(slope, turns) * level
        step = float(weight @ off) / max(float(weight @ weight), 1e-300)
        phase += float(np.clip(step, -2 / points, 2 / points))
    return best % 1.0


def _detuning(row: Array, base: Array, ripple: Ripple, interval_s: float) -> float:
    """How far the segment's ripple is from the nominal frequency, in Hz; 0 when it can't be told.

    Only stretches in which the light rests count: a transition leaks into every frequency.
    """
    period = 1 / (interval_s * ripple.frequency_hz)
    edge = math.ceil(period / 2)
    size = math.floor((len(row) - 2 * edge) / PARTS)
    if size < 2 * period:
        return 0.0
    inner = slice(edge, edge + PARTS * size)
    turn = np.exp(-2j * np.pi * ripple.frequency_hz * interval_s * np.arange(PARTS * size))
    local = ((row - base)[inner] * base[inner] * turn).reshape(PARTS, size).sum(axis=1)
    held = base[inner].reshape(PARTS, size)
    rests = np.ptp(held, axis=1) < 0.03 * held.mean(axis=1)
    if rests.sum() < 5:
        return 0.0
    place, phasor = np.flatnonzero(rests).astype(np.float64), local[rests]
    weight = np.abs(phasor)
    if not weight.sum() > 0:
        return 0.0
    phase = wrapped(np.angle(phasor) / (2 * math.pi) - np.angle(phasor.sum()) / (2 * math.pi))
    place = place - np.average(place, weights=weight)
    spread = float((weight * place * place).sum())
    slope = float((weight * place * phase).sum()) / spread
    residual = phase - np.average(phase, weights=weight) - slope * place
    u = math.sqrt(float((weight * residual**2).sum()) / (len(place) - 2) / spread)
    # A shift that its own scatter explains would only add noise to the phase.
    limit = 4 * math.hypot(u / (size * interval_s), ripple.u_frequency_hz)
    shift = slope / (size * interval_s)
    return shift if abs(shift) > limit else 0.0
