"""Modulation of the light after the cell: PWM dimming, strobing, refresh dips of self-emitting pixels.

Each is a periodic function of time whose mean over its period is known, multiplied onto the cell's light.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


class Modulation(Protocol):
    """A periodic factor on the light."""

    @property
    def period_s(self) -> float:
        """Period in s; infinite for steady light."""

    @property
    def mean(self) -> float:
        """Mean of the factor over one period."""

    def factor(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """The factor at each instant, same shape."""


@dataclass(frozen=True)
class SteadyLight:
    """A backlight on direct current."""

    level: float = 1.0
    """Factor, 1 = full backlight."""

    @property
    def period_s(self) -> float:
        return float("inf")

    @property
    def mean(self) -> float:
        return self.level

    def factor(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.full(np.shape(t_s), self.level)


@dataclass(frozen=True)
class PulsedLight:
    """A rectangular wave: PWM dimming, or a strobe when its period is the frame."""

    period_s: float
    """Period in s."""
    duty: float
    """Part of the period with the high level, 0..1."""
    high: float
    """Factor while on."""
    low: float
    """Factor while off."""
    phase_s: float = 0.0
    """Instant of a switch-on, s."""

    @property
    def mean(self) -> float:
        return self.high * self.duty + self.low * (1.0 - self.duty)

    def factor(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        cycle = np.mod((np.asarray(t_s) - self.phase_s) / self.period_s, 1.0)
        return np.where(cycle < self.duty, self.high, self.low)


@dataclass(frozen=True)
class RefreshDip:
    """The short dip of a self-emitting pixel while its row is written, once a frame (raised cosine)."""

    period_s: float
    """Frame period, s."""
    width_s: float
    """Duration of the dip, s."""
    depth: float
    """Depth of the dip, 0..1."""
    phase_s: float = 0.0
    """Instant at which a dip begins, s."""

    @property
    def mean(self) -> float:
        return 1.0 - 0.5 * self.depth * self.width_s / self.period_s

    def factor(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        within = np.mod(np.asarray(t_s) - self.phase_s, self.period_s)
        dip = 0.5 * (1.0 - np.cos(2.0 * np.pi * within / self.width_s))
        return np.where(within < self.width_s, 1.0 - self.depth * dip, 1.0)


def dimmed(fraction: float, pwm_hz: float, depth: float, phase_s: float = 0.0) -> Modulation:
    """Backlight dimmed to `fraction` of full by PWM of the given depth; direct current where that can't reach.

    At full luminance the duty is 1, so there is no ripple: that is how dimming works, and why ripple shows up only in
    some luminance settings.
    """
    floor = 1.0 - depth
    if pwm_hz <= 0 or depth <= 0 or fraction >= 1.0 or fraction <= floor:
        return SteadyLight(fraction)
    return PulsedLight(1.0 / pwm_hz, (fraction - floor) / depth, 1.0, floor, phase_s)
