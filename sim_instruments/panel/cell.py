"""The switching element: a cascade of two first-order stages, exact between changes of its target.

Stage one follows the target with the long time constant, stage two follows stage one with a shorter one, so a
transition starts with zero slope as a real cell does. Both are linear for a constant target:

    a(t) = u + (a0 - u) e^(-t/T)
    b(t) = u + P e^(-t/T) + Q e^(-t/rT),   P = (a0 - u) / (1 - r),   Q = (b0 - u) - P

with target u, long constant T and ratio r < 1 between the constants. What is not linear is T itself: it depends on
where the cell stands and where it is sent, and is chosen anew at each change of the target.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class CellSpeed:
    """How the long time constant depends on the step that the cell is asked for."""

    base_s: float
    """Time constant of a full step to the highest level at 25 deg C, s."""
    rise: float = 1.0
    """Factor for a step towards a higher drive."""
    fall: float = 1.0
    """Factor for a step towards a lower drive."""
    dark: float = 0.0
    """How much slower a step is that stays in the dark end (squared distance of its brighter end from white)."""
    small: float = 0.0
    """How much slower a small step is than a large one."""
    small_scale: float = 0.2
    """Step size (of the drive range) over which `small` fades by a factor e."""
    ratio: float = 0.4
    """Second time constant divided by the first; must differ from 1."""
    activation_k: float = 0.0
    """Temperature dependence, kelvin: the constant goes as exp(activation / T); 0 for none."""

    def time_constant_s(self, start: float, target: float, temperature_c: float = 25.0) -> float:
        """Long time constant in s of a step from drive `start` to drive `target`."""
        direction = self.rise if target >= start else self.fall
        darkness = 1.0 - min(1.0, max(start, target, 0.0))
        slowness = 1.0 + self.dark * darkness**2 + self.small * math.exp(-abs(target - start) / self.small_scale)
        warmth = math.exp(self.activation_k * (1.0 / (temperature_c + 273.15) - 1.0 / 298.15))
        return self.base_s * direction * slowness * warmth


@dataclass(frozen=True)
class CellPiece:
    """The cell from one change of its target to the next: everything that the closed form needs."""

    start_s: float
    """Instant at which the target changed, s."""
    first: float
    """Stage one at that instant (drive units)."""
    second: float
    """Stage two at that instant: this is what is seen."""
    target: float
    """Drive that the cell is sent to."""
    time_constant_s: float
    """Long time constant in force, s."""
    ratio: float
    """Short constant divided by long."""

    def weights(self) -> tuple[float, float]:
        """The weights P and Q of the two exponentials (module docstring)."""
        slow = (self.first - self.target) / (1.0 - self.ratio)
        return slow, (self.second - self.target) - slow

    def state(self, t_s: float) -> tuple[float, float]:
        """Both stages at the instant `t_s` (not before `start_s`)."""
        elapsed = t_s - self.start_s
        slow, fast = self.weights()
        decay = math.exp(-elapsed / self.time_constant_s)
        quick = math.exp(-elapsed / (self.ratio * self.time_constant_s))
        first = self.target + (self.first - self.target) * decay
        return first, self.target + slow * decay + fast * quick


def next_piece(before: CellPiece, t_s: float, target: float, speed: CellSpeed, temperature_c: float) -> CellPiece:
    """The piece that begins when the target changes at `t_s`: it starts where the cell really stands."""
    first, second = before.state(t_s)
    constant = speed.time_constant_s(second, target, temperature_c)
    return CellPiece(t_s, first, second, target, constant, speed.ratio)


def resting_piece(t_s: float, drive: float, speed: CellSpeed) -> CellPiece:
    """A cell that has been at rest at `drive` since long before `t_s`."""
    return CellPiece(t_s, drive, drive, drive, speed.base_s, speed.ratio)
