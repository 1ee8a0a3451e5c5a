"""Warm-up of a panel: its temperature and the drift of its luminance after it is switched on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True)
class WarmUp:
    """Exponential approach to the warm state."""

    rise_k: float
    """Panel temperature above the room when warm, K."""
    time_constant_s: float
    """Time constant of the warm-up, s."""
    cold_luminance: float
    """Luminance just after switch-on relative to warm (0.9 = 10 % dimmer)."""

    def temperature_c(self, since_on_s: ArrayLike, room_c: float) -> NDArray[np.float64]:
        """Panel temperature in deg C a time after switch-on."""
        return room_c + self.rise_k * (1.0 - self._coldness(since_on_s))

    def luminance_factor(self, since_on_s: ArrayLike) -> NDArray[np.float64]:
        """Luminance relative to the warm state a time after switch-on."""
        return 1.0 + (self.cold_luminance - 1.0) * self._coldness(since_on_s)

    def _coldness(self, since_on_s: ArrayLike) -> NDArray[np.float64]:
        return np.exp(-np.asarray(since_on_s, dtype=float) / self.time_constant_s)
