"""Synthetic captures for tests: an exponential step with noise, made here and nowhere else."""

from __future__ import annotations

import numpy as np
from greystep.schema.capture import Capture, CaptureMeta, Channel, Planned
from greystep.schema.dut import DUT, Condition, Sensor
from greystep.schema.ids import IdSource

_IDS = IdSource()


def step_capture(
    *,
    key: str = "c01-step-000-255",
    run: str = "01tests0000000000000000000",
    repeats: int = 3,
    samples: int = 4000,
    tau_s: float = 4e-3,
    seed: int = 1,
    noise: float = 4.0,
) -> Capture:
    """A step capture 0 <-> 255: `2 * repeats` segments, rising first, exponential with `tau_s`, 50 kS/s."""
    rng = np.random.default_rng(seed)
    start, interval = -0.01, 2e-5
    t = start + interval * np.arange(samples)
    rise = np.where(t > 0, -np.expm1(-np.clip(t, 0, None) / tau_s), 0.0)
    rows = [rise if i % 2 == 0 else 1 - rise for i in range(2 * repeats)]
    codes = np.rint(20000 * np.array(rows) - 10000 + rng.normal(0, noise, (2 * repeats, samples))).astype(np.int16)
    levels = np.array([0, 255] * repeats, np.int32)
    return Capture(
        meta=meta(key=key, run=run, kind="step", repeats=repeats),
        channels={
            "light": Channel(codes, 1e-4, 1.0, "V", -32768, 32767),
            "sync": Channel((5000 * (np.abs(t - 5e-4) < 5e-4) * np.ones((2 * repeats, 1))).astype(np.int16), 1e-3),
        },
        start_s=start,
        interval_s=interval,
        from_level=levels,
        to_level=255 - levels,
        flags=np.zeros(2 * repeats, np.uint32),
        trigger_s=0.25 * np.arange(2 * repeats),
        plan_text='name = "a plan"\n',
        bench_text='name = "a bench"\n',
        dialogue=("0.001 digitiser > *IDN?", "0.002 digitiser < Example,Digitiser,1,1"),
    )


def meta(*, key: str, run: str, kind: str, repeats: int = 3) -> CaptureMeta:
    """Metadata of an invented display."""
    return CaptureMeta(
        id=_IDS.new(),
        run=run,
        key=key,
        kind=kind,
        group="c01",
        dut=DUT(maker="Invented", model="Viewer One", panel="IPS LCD"),
        condition=Condition(refresh_rate_hz=60.0, overdrive="off"),
        sensor=Sensor(bandwidth_hz=100e3),
        started_utc="2026-01-02T03:04:05Z",
        started_monotonic_s=1.0,
        planned=Planned(position=1, total=1, group_total=1, steady_total=0, repeats=repeats),
        software={"greystep": "0.1.0"},
    )
