"""A digitiser's inside, without any words: settings, segments that fill after arming, and volts that are known exactly."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FILL_S = 0.01
"""A segment every so often after arming."""


@dataclass
class Memory:
    """State of a simulated digitiser; dialects differ in how they talk about it."""

    max_segments: int = 64
    range_v: dict[int, float] = field(default_factory=lambda: {1: 10.0, 2: 10.0})
    offset_v: dict[int, float] = field(default_factory=lambda: {1: 0.0, 2: 0.0})
    interval_s: float = 1e-5
    points: int = 1000
    pretrigger: int = 0
    segments: int = 1
    trigger: str = "none"
    armed_at: float | None = None
    errors: list[str] = field(default_factory=list)

    def arm(self) -> None:
        """Start."""
        self.armed_at = time.monotonic()

    def stop(self) -> None:
        """Back to idle; the memory stays."""

    @property
    def complete(self) -> int:
        """Segments that are full."""
        if self.armed_at is None:
            return 0
        return min(self.segments, int((time.monotonic() - self.armed_at) / FILL_S))

    def volts(self, channel: int, segment: int) -> NDArray[np.float64]:
        """What the channel saw: a step of another height in each channel and segment."""
        t = (np.arange(self.points) - self.pretrigger) * self.interval_s
        step = np.where(t >= 0, 0.3 * segment, -0.2) * self.range_v[channel] / 4 + self.offset_v[channel]
        return np.asarray(step + 0.01 * channel, np.float64)

    def codes(self, channel: int, segment: int, bits: int, signed: bool) -> NDArray[np.int64]:
        """The same as converter codes over the full range."""
        step = self.range_v[channel] / (1 << bits)
        middle = 0 if signed else 1 << (bits - 1)
        codes = np.round((self.volts(channel, segment) - self.offset_v[channel]) / step) + middle
        return np.clip(codes, middle - (1 << (bits - 1)), middle + (1 << (bits - 1)) - 1).astype(np.int64)
