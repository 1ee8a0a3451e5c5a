"""Step responses with closed forms, as prepared transitions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from greystep.schema.dut import Condition, Sensor
from greystep.schema.figure import Figure
from greystep.schema.trace import Context, Ripple, Transition
from numpy.typing import NDArray

Array = NDArray[np.float64]
Edge = Callable[[Array], Array]

LATENCY_S = 0.005


def instant(t: Array) -> Array:
    """Unit step at t = 0."""
    return np.where(t >= 0, 1.0, 0.0)


def exponential(tau_s: float) -> Edge:
    """1 - exp(-t/tau) from t = 0."""
    return lambda t: -np.expm1(-np.maximum(t, 0.0) / tau_s)


def ramp(length_s: float) -> Edge:
    """Straight from 0 to 1."""
    return lambda t: np.clip(t / length_s, 0.0, 1.0)


def underdamped(zeta: float, omega: float) -> Edge:
    """Second-order step response with overshoot."""
    root = np.sqrt(1 - zeta**2)

    def edge(t: Array) -> Array:
        x = np.maximum(t, 0.0) * omega
        return 1 - np.exp(-zeta * x) * (np.cos(root * x) + zeta / root * np.sin(root * x))

    return edge


def transition(
    edge: Edge,
    *,
    hold_s: float = 0.25,
    rate_hz: float = 50e3,
    repeats: int = 6,
    noise: float = 0.0,
    wait_s: float = 0.0,
    pretrigger_s: float = 0.02,
    rising: bool = True,
    low: float = 0.1,
    high: float = 1.1,
    seed: int = 1,
    quantum: float = 0.0,
) -> Transition:
    """Repeats of a step that begins LATENCY_S after the command, plus a wait that is uniform between 0 and `wait_s`."""
    rng = np.random.default_rng(seed)
    t = -pretrigger_s + np.arange(round(hold_s * rate_hz)) / rate_hz
    rows = []
    for _ in range(repeats):
        s = edge(t - LATENCY_S - wait_s * rng.uniform())
        rows.append((low + (high - low) * s if rising else high - (high - low) * s) + noise * rng.standard_normal(len(t)))
    levels = (0, 255) if rising else (255, 0)
    return Transition(*levels, np.array(rows), -pretrigger_s, 1 / rate_hz, quantum=quantum)


def context(refresh_hz: float = 60.0, **changes: object) -> Context:
    """A context without ripple."""
    return Context(Condition(refresh_rate_hz=refresh_hz), Sensor(bandwidth_hz=1e6), **changes)  # type: ignore[arg-type]


def strobe(refresh_hz: float, duty: float) -> Ripple:
    """A strobed backlight at the refresh rate."""
    return Ripple("strobe", refresh_hz, 1.0, duty, phase_stable=True)


def by_quantity(figures: list[Figure]) -> dict[str, Figure]:
    """Figures by their quantity; each must stand there once."""
    out = {f.quantity: f for f in figures}
    assert len(out) == len(figures)
    return out
