"""Synthetic long records with their truth."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


def light_of(level: int) -> float:
    """Light of a level above dark, 1 at 255: gamma 2.2 with a contrast of 1000."""
    return 0.001 + 0.999 * (level / 255) ** 2.2


@dataclass
class Scene:
    """How a record is made. Times in s."""

    levels: list[int]
    holds_s: list[float]
    rate_hz: float = 20e3
    tau_s: float = 0.004
    overshoot: float = 0.0
    pwm_hz: float = 0.0
    pwm_low: float = 0.0
    dip_hz: float = 0.0
    drift: float = 0.0
    noise: float = 0.002
    seed: int = 0
    changes_s: NDArray[np.float64] = field(init=False)

    def __post_init__(self) -> None:
        self.changes_s = np.cumsum(self.holds_s)[:-1]

    def samples(self) -> NDArray[np.float64]:
        """[sample] sensor voltage."""
        rng = np.random.default_rng(self.seed)
        n = int(sum(self.holds_s) * self.rate_hz)
        t = np.arange(n) / self.rate_hz
        light = np.empty(n)
        state = light_of(self.levels[0])
        edges = np.searchsorted(t, np.concatenate([[0.0], self.changes_s, [t[-1] + 1]]))
        for level, a, b in zip(self.levels, edges[:-1], edges[1:], strict=True):
            s = t[a:b] - t[a] if b > a else t[a:b]
            target = light_of(level)
            decay = np.exp(-s / self.tau_s)
            kick = self.overshoot * (target - state) * (s / 0.008) * np.exp(1 - s / 0.008)
            light[a:b] = target + (state - target) * decay + kick
            state = light[b - 1] if b > a else state
        if self.pwm_hz:
            light = light * np.where((t * self.pwm_hz) % 1 < 0.6, 1.0, self.pwm_low)
        if self.dip_hz:
            light = light * (1 - 0.4 * ((t * self.dip_hz) % 1 < 0.08))
        light = light * (1 + self.drift * t / t[-1])
        return light + rng.normal(0, self.noise, n)

    def truth(self) -> list[tuple[float, int, int]]:
        """(instant, from, to) of every change of level."""
        pairs = zip(self.changes_s, self.levels[:-1], self.levels[1:], strict=True)
        return [(float(t), a, b) for t, a, b in pairs if a != b]

    def mean_factor(self) -> float:
        """What PWM and dips make of the mean light."""
        pwm = 0.6 + 0.4 * self.pwm_low if self.pwm_hz else 1.0
        return pwm * (1 - 0.4 * 0.08 if self.dip_hz else 1.0)

    def table(self) -> dict[int, float]:
        """Level -> mean light."""
        return {v: light_of(v) * self.mean_factor() for v in set(self.levels)}


def walk(levels: list[int], count: int, seed: int) -> list[int]:
    """A random sequence of levels, never the same twice in a row."""
    rng = np.random.default_rng(seed)
    out = [levels[0]]
    while len(out) < count:
        nxt = int(rng.choice(levels))
        if nxt != out[-1]:
            out.append(nxt)
    return out
