"""The code-to-light curve of a panel: gain, offset (black level) and gamma."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True)
class LightCurve:
    """Luminance of a drive value: ``black + (white - black) * drive ** gamma``.

    The drive is the code value divided by the largest code, 0..1. A cell may stand a little outside
    that range (overdrive headroom); below 0 it gives black.
    """

    white_cd_m2: float
    """Luminance of the highest code at full backlight, cd/m2."""
    black_cd_m2: float
    """Luminance of code 0 at full backlight, cd/m2; 0 for a self-emitting pixel."""
    gamma: float
    """Exponent of the curve, without unit."""

    def luminance_cd_m2(self, drive: ArrayLike) -> NDArray[np.float64]:
        """Luminance in cd/m2 of each drive value, same shape as `drive`."""
        positive = np.maximum(np.asarray(drive, dtype=float), 0.0)
        luminance: NDArray[np.float64] = self.black_cd_m2 + (self.white_cd_m2 - self.black_cd_m2) * positive**self.gamma
        return luminance

    def drive(self, luminance_cd_m2: ArrayLike) -> NDArray[np.float64]:
        """The inverse: drive 0..1 that gives each luminance; below black gives 0."""
        span = self.white_cd_m2 - self.black_cd_m2
        relative = (np.asarray(luminance_cd_m2, dtype=float) - self.black_cd_m2) / span
        drive: NDArray[np.float64] = np.maximum(relative, 0.0) ** (1.0 / self.gamma)
        return drive
