"""Edges with closed forms, as traces; and captures made from them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from greystep.schema.capture import Capture, CaptureMeta, Channel, Planned
from greystep.schema.dut import DUT, Condition, Sensor
from greystep.schema.ids import IdSource
from greystep.schema.trace import Context, Curve, Transition
from numpy.typing import NDArray

Array = NDArray[np.float64]
Edge = Callable[[Array], Array]
_IDS = IdSource()


def exponential(tau: float) -> Edge:
    """1 - exp(-t / tau) from t = 0."""
    return lambda t: np.where(t > 0, -np.expm1(-np.clip(t, 0, None) / tau), 0.0)


def ramp(length: float) -> Edge:
    """Straight from 0 to 1."""
    return lambda t: np.clip(t / length, 0, 1)


def gaussian(sigma: float) -> Edge:
    """Cumulative normal distribution."""
    from scipy.special import ndtr

    return lambda t: np.asarray(ndtr(t / sigma))


def raised_cosine(length: float) -> Edge:
    """(1 - cos(pi t / T)) / 2."""
    return lambda t: 0.5 - 0.5 * np.cos(np.pi * np.clip(t / length, 0, 1))


def cascade(poles: int, tau: float) -> Edge:
    """n equal poles: the regularised lower incomplete gamma function."""
    from scipy.special import gammainc

    return lambda t: np.asarray(gammainc(poles, np.clip(t, 0, None) / tau))


def second_order(zeta: float, omega: float) -> Edge:
    """Underdamped step response."""
    root = np.sqrt(1 - zeta**2)

    def edge(t: Array) -> Array:
        x = np.clip(t, 0, None) * omega
        return 1 - np.exp(-zeta * x) * (np.cos(root * x) + zeta / root * np.sin(root * x))

    return edge


def transition(
    edge: Edge,
    *,
    levels: tuple[float, float] = (0.2, 1.0),
    codes: tuple[int, int] = (0, 255),
    repeats: int = 5,
    samples: int = 8000,
    interval_s: float = 2e-5,
    onset_s: float = 0.0105,
    start_s: float = -0.02,
    noise: float = 0.0,
    seed: int = 0,
    quantum: float = 0.0,
) -> Transition:
    """A transition with white noise (standard deviation as a part of the step) and, with a quantum, rounding."""
    t = start_s + interval_s * np.arange(samples)
    light = levels[0] + (levels[1] - levels[0]) * edge(t - onset_s)
    rows = np.tile(light, (repeats, 1))
    if noise:
        rows = rows + np.random.default_rng(seed).normal(0, noise * abs(levels[1] - levels[0]), rows.shape)
    if quantum:
        rows = np.rint(rows / quantum) * quantum
    return Transition(codes[0], codes[1], rows, start_s, interval_s, quantum=quantum, wanted_repeats=repeats)


def context(*, curve: Curve | None = None, refresh_rate_hz: float = 60.0, sensor: Sensor | None = None) -> Context:
    """A context without ripple."""
    return Context(Condition(refresh_rate_hz=refresh_rate_hz), sensor or Sensor(), curve)


def gamma_curve(black: float = 0.2, white: float = 1.0, gamma: float = 2.2, points: int = 17, u: float = 1e-5) -> Curve:
    """A display with this gamma, measured at evenly spaced codes."""
    levels = np.round(np.linspace(0, 255, points))
    light = black + (white - black) * (levels / 255) ** gamma
    return Curve(levels, light, np.full(points, u), np.full(points, 9.0), "V")


def meta(key: str, kind: str, *, repeats: int = 5, steady_total: int = 0, sensor: Sensor | None = None) -> CaptureMeta:
    """Metadata of an invented display."""
    return CaptureMeta(
        id=_IDS.new(),
        run="01tests0000000000000000000",
        key=key,
        kind=kind,
        group="c01",
        dut=DUT(maker="Invented", model="Viewer One", panel="IPS LCD"),
        condition=Condition(refresh_rate_hz=60.0, overdrive="off"),
        sensor=sensor or Sensor(dark_v=0.05),
        started_utc="2026-01-02T03:04:05Z",
        started_monotonic_s=1.0,
        planned=Planned(position=1, total=1, group_total=1, steady_total=steady_total, repeats=repeats),
    )


def capture(key: str, kind: str, rows: Array, from_level: Array, to_level: Array, **more: object) -> Capture:
    """A capture of volts [segment, sample] in 16-bit codes of 0.1 mV; `start_s` and `interval_s` may be given."""
    start_s = float(more.pop("start_s", -0.02))  # type: ignore[arg-type]
    interval_s = float(more.pop("interval_s", 2e-5))  # type: ignore[arg-type]
    flags = np.asarray(more.pop("flags", np.zeros(len(rows))), dtype=np.uint32)
    codes = np.clip(np.rint(rows / 1e-4), -32768, 32767).astype(np.int16)
    return Capture(
        meta=meta(key, kind, **more),  # type: ignore[arg-type]
        channels={"light": Channel(codes, 1e-4, 0.0, "V", -32768, 32767)},
        start_s=start_s,
        interval_s=interval_s,
        from_level=np.asarray(from_level, dtype=np.int32),
        to_level=np.asarray(to_level, dtype=np.int32),
        flags=flags,
        trigger_s=np.arange(len(rows), dtype=np.float64),
    )
