"""What one transition offers: usable repeats, brought to one instant, their mean and its noise."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from greystep.schema.trace import Transition
from numpy.typing import NDArray

from .noise import block_means, effective_noise, repeat_noise
from .refusal import Refusal

Array = NDArray[np.float64]

LEAST_SAMPLES = 16
"""A record shorter than this holds no transition."""
FARTHEST = 1e100
"""No light, in any unit, sums up to this: squares must not overflow."""
NEAREST = 1e-100
"""No step is as small as this."""
BLOCKS = 400
"""Blocks into which a record is cut to look for its resting parts."""


@dataclass(frozen=True)
class Observation:
    """Repeats of one transition, ready to be measured."""

    light: Array
    """[repeat, sample]"""
    mean: Array
    """[sample]"""
    noise: float
    """Standard deviation of one sample of `mean`, as averages feel it."""
    interval_s: float
    start_s: float
    block: int
    """Samples a block."""
    blocks: Array
    """[block] means of `mean`."""
    window: int = 0
    """Samples that the preparation averaged over; 0: none."""
    spread_s: float = 0.0
    """Standard deviation of the instants of the repeats, when they were brought together."""
    flags: tuple[str, ...] = ()

    @property
    def repeats(self) -> int:
        """Number of repeats."""
        return int(self.light.shape[0])

    @property
    def samples(self) -> int:
        """Samples a repeat."""
        return int(self.light.shape[1])

    @cached_property
    def span(self) -> float:
        """Between the least and the greatest block."""
        return float(self.blocks.max() - self.blocks.min())

    @property
    def block_noise(self) -> float:
        """Standard deviation of one block of the mean."""
        return self.noise / math.sqrt(self.block)


def observe(subject: Transition) -> Observation | Refusal:
    """The usable repeats of a transition, or why there are none."""
    light = np.atleast_2d(np.asarray(subject.light, dtype=np.float64))
    flags: set[str] = set(subject.flags)
    if not light.size:
        missing = "no_trigger" if "no_trigger" in flags else "bad_samples"
        return Refusal("no usable segment: none had a trigger and whole numbers", (*flags, missing))
    if light.shape[1] < LEAST_SAMPLES:
        return Refusal(f"only {light.shape[1]} samples: no transition can be seen", (*flags, "few_samples"))
    possible, total = _possible(light)
    if len(possible) < len(light):
        flags.add("bad_samples")
    light = possible
    if not len(light):
        return Refusal("not-a-number, infinite or impossible samples in every repeat", tuple(flags))
    if len(light) < 3:
        flags.add("few_repeats")
    if float(np.ptp(light[0])) < NEAREST:
        return Refusal("the light does not change at all", (*flags, "no_transition"))
    window = math.ceil(subject.smoothing_s / subject.interval_s)
    return _observation(light, total, subject.interval_s, subject.start_s, tuple(sorted(flags)), window)


def _possible(light: Array) -> tuple[Array, Array]:
    """Repeats of finite samples of a possible size, and their sum, which tells in one pass."""
    with np.errstate(over="ignore", invalid="ignore"):
        total = light.sum(axis=0)
        if max(float(total.max()), -float(total.min())) < FARTHEST:
            return light, total
        light = light[(np.abs(light) < FARTHEST).all(axis=1)]
        return light, light.sum(axis=0)


def _observation(
    light: Array,
    total: Array,
    interval_s: float,
    start_s: float,
    flags: tuple[str, ...],
    window: int = 0,
    spread_s: float = 0.0,
) -> Observation:
    mean = total / len(light)
    block = max(1, len(mean) // BLOCKS)
    # Noise that went through a window shows its full size only in averages longer than that.
    scale = max(block, min(window, len(mean) // 16))
    noise = max(effective_noise(mean, scale), repeat_noise(light, scale))
    return Observation(light, mean, noise, interval_s, start_s, block, block_means(mean, block), window, spread_s, flags)


def aligned(observation: Observation, first: int, last: int, step: float, duration: float) -> Observation:
    """Repeats shifted by whole samples so that their transitions coincide, when they scatter in time more than noise explains.

    The pattern source may not be locked to the scan; averaging unaligned repeats would stretch the transition. A shift d of a
    step A changes the area under the trace by A d, whatever its shape.

    Args:
        observation: unaligned.
        first: first sample of the stretch that holds all transitions.
        last: one past its last sample.
        step: A, signed.
        duration: of the mean transition, in samples.
    """
    light = observation.light
    if len(light) < 2 or last - first < 2:
        return observation
    area = light[:, first:last].sum(axis=1)
    shift = -(area - np.median(area)) / step
    spread = float(shift.std(ddof=1))
    expected = observation.noise * math.sqrt(len(light) * (last - first)) / abs(step)
    if spread < max(0.6, 3 * expected, 0.03 * duration):
        return observation
    moves = np.rint(shift).astype(int)
    moves = np.clip(moves, -light.shape[1] // 4, light.shape[1] // 4)
    low, high = int(moves.min()), int(moves.max())
    length = light.shape[1] - (high - low)
    moved = np.stack([row[m - low : m - low + length] for row, m in zip(light, moves, strict=True)])
    start = observation.start_s + observation.interval_s * -low
    return _observation(
        moved,
        moved.sum(axis=0),
        observation.interval_s,
        start,
        observation.flags,
        observation.window,
        spread * observation.interval_s,
    )
