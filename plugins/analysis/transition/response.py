"""The sensor's own 10-90 % duration, and its removal from a measured one by root-sum-square.

Root-sum-square is exact for Gaussian responses only; for equal poles the sum is up to 12 % wrong (reference-checks 1.3,
1.4; Hale et al. 2017 call its error "typically unknown"). The estimator inverts the poles on the trace instead and
takes the difference between the two as the uncertainty of the model.
"""

from __future__ import annotations

import math
from functools import lru_cache


@lru_cache(maxsize=32)
def _duration_times_bandwidth(poles: int) -> float:
    from scipy.special import gammaincinv

    width = float(gammaincinv(poles, 0.9) - gammaincinv(poles, 0.1))
    return width * math.sqrt(2 ** (1 / poles) - 1) / (2 * math.pi)


def sensor_duration(bandwidth_hz: float, poles: int) -> float:
    """10-90 % duration in s of the step response of equal poles with this -3 dB bandwidth: 0.3497 / bandwidth for one."""
    return _duration_times_bandwidth(poles) / bandwidth_hz


def root_sum_square_removal(measured: float, own: float) -> float:
    """sqrt(measured^2 - own^2); 0 where the sensor's own is the larger."""
    return math.sqrt(max(measured**2 - own**2, 0.0))


def model_uncertainty(measured: float, corrected: float, own: float) -> float:
    """Standard uncertainty of a removal for the unknown shape of the response.

    Half of the distance to what root-sum-square gives, and never less than 7.5 %/sqrt(3) of the correction itself.
    """
    other = root_sum_square_removal(measured, own)
    return max(abs(corrected - other) / math.sqrt(3), 0.075 / math.sqrt(3) * abs(measured - corrected))
