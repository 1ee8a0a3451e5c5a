"""An invented display's captures for the timings, as our archive and as a plain script would keep them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from greystep.daemon.archive.archive import Archive
from greystep.schema.capture import Capture, CaptureHeader, CaptureMeta, Channel, Planned
from greystep.schema.dut import DUT, Condition, Sensor
from greystep.schema.ids import IdSource

LEVELS = (0, 64, 128, 192, 255)
PAIRS = tuple((a, b) for i, a in enumerate(LEVELS) for b in LEVELS[i + 1 :])
REPEATS = 10
HOLD_S, PRETRIGGER_S = 0.25, 0.02


@dataclass(frozen=True)
class Scene:
    """Where everything is."""

    root: Path
    archive: Archive
    headers: tuple[CaptureHeader, ...]
    samples: int

    @property
    def steps(self) -> list[CaptureHeader]:
        """Headers of the step captures."""
        return [h for h in self.headers if h.meta.kind == "step"]

    @property
    def traces(self) -> int:
        """Traces of all step captures."""
        return sum(h.segments for h in self.steps)


def build(root: Path, samples: int, groups: int = 1) -> Scene:
    """Archive so many groups of 10 step and 5 steady captures, `samples` a trace."""
    (root / "raw").mkdir(parents=True)
    archive = Archive(root / "raw")
    ids = IdSource()
    headers = []
    for g in range(groups):
        headers += [archive.write(c) for c in captures(ids, ids.new(), samples, seed=g)]
    return Scene(root, archive, tuple(headers), samples)


def captures(ids: IdSource, run: str, samples: int, seed: int = 0) -> Iterator[Capture]:
    """One group."""
    rng = np.random.default_rng(seed)
    interval = HOLD_S / samples
    total = len(LEVELS) + len(PAIRS)
    for i, level in enumerate(LEVELS):
        light = _light(level) + rng.normal(0, 1e-3, (3, samples))
        yield _capture(ids, run, f"c01-steady-{level:03d}", "steady", i + 1, total, light, interval, [level] * 3, [level] * 3)
    t = -PRETRIGGER_S + interval * np.arange(samples)
    rise = np.where(t > 0, -np.expm1(-np.clip(t - 8e-3, 0, None) / 4e-3), 0.0)
    for i, (a, b) in enumerate(PAIRS):
        low, high = _light(a), _light(b)
        shape = np.array([rise if k % 2 == 0 else 1 - rise for k in range(2 * REPEATS)])
        light = low + (high - low) * shape + rng.normal(0, 1e-3, shape.shape)
        yield _capture(
            ids,
            run,
            f"c01-step-{a:03d}-{b:03d}",
            "step",
            len(LEVELS) + i + 1,
            total,
            light,
            interval,
            [a, b] * REPEATS,
            [b, a] * REPEATS,
        )


def _light(level: int) -> float:
    """Volts of a panel of gamma 2.2 with 200 cd/m2 at 5 mV a cd/m2."""
    return float(1.0 * (level / 255) ** 2.2 + 5e-4)


def _capture(ids, run, key, kind, position, total, light, interval, from_level, to_level):  # type: ignore[no-untyped-def]
    codes = np.clip(np.rint(light / 5e-5), -32768, 32767).astype(np.int16)
    return Capture(
        meta=CaptureMeta(
            id=ids.new(),
            run=run,
            key=key,
            kind=kind,
            group="c01",
            dut=DUT(maker="Invented", model="Viewer One", panel="LCD"),
            condition=Condition(refresh_rate_hz=60.0, overdrive="off"),
            sensor=Sensor(bandwidth_hz=100e3, responsivity_v_per_cd_m2=5e-3),
            started_utc="2026-02-03T04:05:06Z",
            started_monotonic_s=1.0,
            planned=Planned(position=position, total=total, group_total=total, steady_total=len(LEVELS), repeats=REPEATS),
        ),
        channels={"light": Channel(codes, 5e-5, 0.0, "V", -32768, 32767)},
        start_s=-PRETRIGGER_S if kind == "step" else 0.0,
        interval_s=interval,
        from_level=np.array(from_level, np.int32),
        to_level=np.array(to_level, np.int32),
        flags=np.zeros(len(codes), np.uint32),
        trigger_s=HOLD_S * np.arange(len(codes)),
    )
