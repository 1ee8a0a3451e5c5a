"""What the removal of the ripple leaves in a trace: remains that show where the light rests, and what the phase of the waveform
that was divided out may be off by."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from greystep.schema.trace import Ripple

from ..preparation.folding import STEEP, bins_of, folded, gradient_of, is_smooth
from .observation import Observation
from .rest import Rest


@dataclass(frozen=True)
class Left:
    """Ripple left in the mean trace, in light, beyond what noise explains."""

    amplitude: float = 0.0
    """Of the fundamental."""
    peak: float = 0.0
    """Greatest deviation of the waveform."""
    phase: float = 0.0
    """Relative standard uncertainty of the waveform that was divided out, for that of its phase and frequency."""


def ripple_left(observation: Observation, rest: Rest, ripple: Ripple) -> Left:
    """What the resting parts of the mean trace show when they are folded at the ripple's frequency; nothing without one."""
    left, frequency_hz = Left(), ripple.frequency_hz
    if frequency_hz <= 0:
        return left
    dt, noise = observation.interval_s, observation.noise
    bins = int(min(64, max(4, 1 / (frequency_hz * dt))))
    for first, last, level in ((0, rest.pre, rest.start), (rest.post, observation.samples, rest.end)):
        n = last - first
        if n * dt * frequency_hz < 2:
            continue
        place = bins_of(n, dt, frequency_hz, 0.0, bins)
        sums, counts = folded(observation.mean[first:last] - level, None, place, bins)
        profile = sums / np.maximum(counts, 1)
        tone = 2 * abs(complex((profile * np.exp(-2j * np.pi * np.arange(bins) / bins)).mean()))
        beyond = float(np.abs(profile - profile.mean()).max()) - 3.5 * noise / math.sqrt(n / bins)
        amplitude = math.sqrt(max(tone**2 - 36 * noise**2 / n, 0.0))
        left = Left(max(left.amplitude, amplitude), max(left.peak, beyond))
    return replace(left, phase=_phase(observation, rest, ripple)) if "ripple" in observation.flags else left


def _phase(observation: Observation, rest: Rest, ripple: Ripple) -> float:
    """Relative standard uncertainty of the waveform for that of its phase, and of its frequency over half a record.

    A smooth waveform is laid under the trace by least squares: noise moves it by s / sqrt(sum of its squared slopes). An edge
    is seen to a third of a sample; there the trace was filled from its neighbours and not divided, so that slopes beyond
    `STEEP` don't count.
    """
    if ripple.waveform is None:
        return 0.0
    cycles = ripple.frequency_hz * observation.interval_s
    drift = ripple.u_frequency_hz / ripple.frequency_hz * observation.samples / 2
    along = len(ripple.waveform) * cycles
    if not is_smooth(ripple.waveform):
        change = np.abs(np.diff(ripple.waveform)) * along
        return float(change[change < STEEP].max(initial=0.0)) * math.hypot(1 / math.sqrt(12), drift)
    slope = gradient_of(ripple.waveform) * along
    # Half of the record counts: the brighter one.
    power = float(np.mean(slope * slope)) * observation.samples / 2
    level = max(abs(rest.start), abs(rest.end))
    shift = observation.noise / level / math.sqrt(power) if level > 0 and power > 0 else 0.0
    return float(np.abs(slope).max()) * math.hypot(shift, drift)
