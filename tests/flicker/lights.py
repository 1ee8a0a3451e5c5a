"""Modulated light with closed forms, as held levels."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from greystep.schema.dut import Condition, Sensor
from greystep.schema.figure import Figure
from greystep.schema.trace import Context, Steady
from numpy.typing import NDArray

Array = NDArray[np.float64]
Wave = Callable[[Array], Array]


def steady_light(phase: Array) -> Array:
    """No modulation."""
    return np.ones_like(phase)


def sine(m: float) -> Wave:
    """1 + m sin."""
    return lambda phase: 1 + m * np.sin(2 * np.pi * phase)


def rectangle(high: float, low: float, duty: float) -> Wave:
    """H for a part d of the period, L for the rest."""
    return lambda phase: np.where(phase % 1.0 < duty, high, low)


def triangle(m: float) -> Wave:
    """Triangle between 1 - m and 1 + m."""
    return lambda phase: 1 + m * (4 * np.abs(phase % 1.0 - 0.5) - 1)


def sawtooth(m: float) -> Wave:
    """Sawtooth between 1 - m and 1 + m."""
    return lambda phase: 1 + m * (2 * (phase % 1.0) - 1)


def rectified(phase: Array) -> Array:
    """Full-wave rectified sine; the phase is that of the ripple."""
    return np.abs(np.sin(np.pi * phase))


def held(
    wave: Wave,
    frequency_hz: float,
    *,
    rate_hz: float = 50e3,
    length_s: float = 0.2,
    repeats: int = 4,
    noise: float = 0.0,
    gain: float = 1.0,
    offset: float = 0.0,
    seed: int = 1,
    level: int = 255,
    quantum: float = 0.0,
) -> Steady:
    """Records of one level, each with its own phase."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    rows = [wave(frequency_hz * t + rng.uniform()) + noise * rng.standard_normal(len(t)) for _ in range(repeats)]
    return Steady(level, gain * (np.array(rows) + offset), 1 / rate_hz, quantum=quantum)


def context(**sensor: float) -> Context:
    """A group at 60 Hz."""
    return Context(Condition(refresh_rate_hz=60.0), Sensor(**{"bandwidth_hz": 1e7, **sensor}))  # type: ignore[arg-type]


def by_quantity(figures: list[Figure]) -> dict[str, Figure]:
    """Figures by their quantity."""
    out = {f.quantity: f for f in figures}
    assert len(out) == len(figures)
    return out
