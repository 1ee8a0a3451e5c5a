"""The photosensor: light in, volts out, with its bandwidth, dark level and noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Photosensor:
    """A photodiode with amplifier."""

    responsivity_v_per_cd_m2: float = 0.010
    """Volts per cd/m2."""
    dark_v: float = 0.0021
    """Output in the dark, V."""
    bandwidth_hz: float = 100e3
    """-3 dB bandwidth of each pole, Hz; infinite for none."""
    poles: int = 1
    """Number of equal real poles, 1 or 2."""
    noise_v: float = 0.00015
    """White noise of the output in a sample, V rms."""

    @property
    def time_constant_s(self) -> float:
        """Time constant of one pole, s."""
        return 0.0 if math.isinf(self.bandwidth_hz) else 1.0 / (2.0 * math.pi * self.bandwidth_hz)

    def lead_s(self) -> float:
        """How long before a record the light must be known for the filter to have forgotten what came before, s."""
        return 20.0 * self.poles * self.time_constant_s

    def volts(self, luminance_cd_m2: NDArray[np.float64], interval_s: float) -> NDArray[np.float64]:
        """Noise-free output for light sampled at a fixed interval, V; changes its argument."""
        light = luminance_cd_m2
        light *= self.responsivity_v_per_cd_m2
        for _ in range(self.poles if self.time_constant_s > 0 else 0):
            light = one_pole(light, interval_s, self.time_constant_s)
        light += self.dark_v
        return light


def one_pole(samples: NDArray[np.float64], interval_s: float, time_constant_s: float) -> NDArray[np.float64]:
    """Response of a first-order low pass to an input that runs straight between its samples; rest before the first.

    Exact recursion y[n+1] = a y[n] + p x[n] + q x[n+1] with a = exp(-h), h = interval / time constant,
    q = 1 - (1 - a) / h, p = 1 - a - q. The recursion is worked out for all samples at once by doubling:
    1 / (1 - a z) = (1 + a z)(1 + a^2 z^2)(1 + a^4 z^4)..., which ends when the power of a is nothing.
    """
    h = interval_s / time_constant_s
    decay = math.exp(-h)
    now = 1.0 - (1.0 - decay) / h
    before = 1.0 - decay - now
    if not len(samples):
        return samples
    # Rest: the deviation from the first sample starts at 0, so nothing is owed from before the record.
    rest = float(samples[0])
    response = now * (samples - rest)
    response[1:] += before * (samples[:-1] - rest)
    reach, power = 1, decay
    while reach < len(response) and power > 1e-12:
        # numpy buffers overlapping operands, so the right side holds the old values.
        response[reach:] += power * response[:-reach]
        reach, power = 2 * reach, power * power
    return response + rest
