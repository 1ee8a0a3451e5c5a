"""The samples of an acquisition: what sensor and converter make of light and sync line.

Records are worked out when they are asked for. They depend on simulated time, on the settings at INITiate and on the
seed only; the noise of a segment has its own stream, drawn anew for each sample (no noise is reused).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..scpi.errors import ScpiError
from .acquisition import SYNC_V, SYNC_WIDTH_S, Acquisition

LIGHT, SYNC = 1, 2
FULL_SCALE_CODES = 65536
SYNC_NOISE_V = 2e-3
OVERSAMPLE_MOST = 8


def light_luminance(acquisition: Acquisition, segment: int, modulated: bool = True) -> NDArray[np.float64]:
    """Noise-free luminance at the sample instants, before the sensor, cd/m2, shape (points,)."""
    return acquisition.mounted.luminance_cd_m2(sample_times_s(acquisition, segment), modulated)


def sample_times_s(acquisition: Acquisition, segment: int) -> NDArray[np.float64]:
    """Simulated instants of the samples, s, shape (points,)."""
    setup = acquisition.setup
    samples = np.arange(setup.points, dtype=np.float64)
    return acquisition.triggers[segment].t_s + (samples - setup.pretrigger) * setup.interval_s


def light_volts(acquisition: Acquisition, segment: int) -> NDArray[np.float64]:
    """Noise-free volts of the sensor at the sample instants, shape (points,)."""
    setup, sensor, mounted = acquisition.setup, acquisition.world.sensor, acquisition.mounted
    start_s = acquisition.triggers[segment].t_s - setup.pretrigger * setup.interval_s
    lead = math.ceil(sensor.lead_s() / setup.interval_s)
    finer = 1
    if math.isfinite(mounted.trajectory_at(start_s).display.modulation.period_s) and sensor.time_constant_s > 0:
        # Edges of the backlight between two samples matter to a sensor as fast as that.
        finer = min(OVERSAMPLE_MOST, max(1, math.ceil(2.0 * setup.interval_s / sensor.time_constant_s)))
    step_s = setup.interval_s / finer
    steps = np.arange((setup.points - 1) * finer + 1 + lead * finer, dtype=np.float64)
    grid = start_s + (steps - lead * finer) * step_s
    volts = sensor.volts(mounted.luminance_cd_m2(grid), step_s)
    return volts[lead * finer :: finer]


def sync_volts(acquisition: Acquisition, segment: int) -> NDArray[np.float64]:
    """Noise-free volts of the sync line at the sample instants, shape (points,)."""
    setup = acquisition.setup
    start_s = acquisition.triggers[segment].t_s - setup.pretrigger * setup.interval_s
    end_s = start_s + setup.points * setup.interval_s
    volts = np.zeros(setup.points)
    for sent in acquisition.wire.edges_between(start_s - SYNC_WIDTH_S, end_s):
        first, last = ((sent.edge_s + end - start_s) / setup.interval_s for end in (0.0, SYNC_WIDTH_S))
        # A hair of tolerance: the trigger is this very edge, and sums of times round.
        volts[max(0, math.ceil(first - 1e-3)) : max(0, math.ceil(last - 1e-3))] = SYNC_V
    return volts


def codes(acquisition: Acquisition, channel: int, segment: int) -> NDArray[np.int16]:
    """Converter codes of one segment, shape (points,)."""
    setup, world = acquisition.setup, acquisition.world
    clean, noise_v = (light_volts, world.sensor.noise_v) if channel == LIGHT else (sync_volts, SYNC_NOISE_V)
    volts = clean(acquisition, segment)
    random = np.random.Generator(np.random.SFC64([world.seed, acquisition.number, segment, channel]))
    noise = random.standard_normal(setup.points, dtype=np.float32)
    noise *= noise_v
    volts += noise
    volts -= setup.offset_v[channel]
    volts *= FULL_SCALE_CODES / setup.range_v[channel]
    np.rint(volts, out=volts)
    np.clip(volts, -FULL_SCALE_CODES // 2, FULL_SCALE_CODES // 2 - 1, out=volts)
    return volts.astype(np.int16)


class Memory:
    """The segments of one acquisition, each converted once."""

    def __init__(self, acquisition: Acquisition) -> None:
        self.acquisition = acquisition
        self._codes: dict[int, NDArray[np.int16]] = {}
        self._filled: dict[int, int] = {}

    def segments(self, channel: int, first: int, count: int) -> NDArray[np.int16]:
        """Codes of `count` segments from `first` (0 is the oldest), shape (count, points)."""
        setup = self.acquisition.setup
        if channel not in self._codes:
            try:
                self._codes[channel] = np.empty((setup.segments, setup.points), np.int16)
            except MemoryError:
                raise ScpiError(-225) from None
            self._filled[channel] = 0
        for segment in range(self._filled[channel], first + count):
            self._codes[channel][segment] = codes(self.acquisition, channel, segment)
            self._filled[channel] = segment + 1
        return self._codes[channel][first : first + count]

    def clipped(self, channel: int, count: int) -> list[bool]:
        """For each of the first `count` segments, whether a sample lies at an end of the range."""
        held = self.segments(channel, 0, count)
        half = FULL_SCALE_CODES // 2
        return [bool(row.max() >= half - 1 or row.min() <= -half) for row in held]
