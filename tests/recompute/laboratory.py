"""A home with an archive of invented displays, and what tests ask of it."""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
from greystep.daemon.analysis.backend import Serial, Setup
from greystep.daemon.analysis.methods import resolve
from greystep.daemon.analysis.planner import plan_group
from greystep.daemon.analysis.scheduler import Scheduler, declare
from greystep.daemon.archive.archive import Archive
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.schema.capture import Capture, CaptureMeta, Channel, Planned
from greystep.schema.dut import DUT, Condition
from greystep.schema.ids import IdSource
from greystep.schema.toml_source import TomlSource

from .tiny import ESTIMATORS, PREPARERS, tiny_engine

LEVELS = (0, 128, 255)
PAIRS = ((0, 128), (0, 255), (128, 255))
EVERYTHING = Filter(current=False)
_IDS = IdSource()


class Laboratory:
    def __init__(self, root: Path) -> None:
        self.root = root
        self.setup = Setup(str(root / "raw"), str(root / "prepared"))
        (root / "raw").mkdir()
        self.archive = Archive(root / "raw")
        self.headers = []

    def run(self, dut="Heron", run=None, conditions=("off", "strong"), power=False, seed=0):
        """Archive a whole run; returns its name."""
        run = run or _IDS.new()
        for i, overdrive in enumerate(conditions, 1):
            for capture in group_captures(dut, run, f"c{i:02d}", overdrive, power=power, seed=seed):
                self.headers.append(self.archive.write(capture))
        return run

    def fresh(self, name="catalogue.sqlite"):
        return Catalogue(self.root / name, write=True)

    def engine(self, *, cached=True):
        return tiny_engine(self.setup if cached else Setup(self.setup.archive))

    def compute(self, catalogue, methods, backend=None, rows=None, **kwargs):
        """Everything that is missing, by a backend (serial and uncached when not given)."""
        declare(catalogue, methods)
        scheduler = Scheduler(catalogue, methods, backend or Serial(self.engine(cached=False)), **kwargs)
        scheduler.offer(rows if rows is not None else catalogue.backlog(scheduler.keys))
        while not scheduler.idle:
            scheduler.turn(0.5)
        return scheduler.progress

    def batches(self, catalogue, methods):
        """The work for the first group."""
        declare(catalogue, methods)
        return plan_group(catalogue, methods, 1, settled=True).works


def method(name="tiny", estimator="tiny", preparation="", **parameters):
    """A method as it would be loaded from a file."""
    lines = [f'id = "{name}"', f'title = "{name}"', f'estimator = "{estimator}"', "[parameters]"]
    lines += [f"{k} = {v!r}" for k, v in parameters.items()]
    lines += ["[preparation]", preparation]
    return resolve(TomlSource.parse("\n".join(lines), f"{name}.toml"), ESTIMATORS, PREPARERS)


def dump(catalogue, f=EVERYTHING):
    """All measurements with budget and details: comparable to the last bit."""
    out = []
    for m in catalogue.results(f):
        full = catalogue.with_budget(m)
        out.append(repr(full))
    return out


def group_captures(dut, run, group, overdrive, *, power=False, seed=0, samples=300, repeats=3):
    """Captures of one condition: three held levels, three pairs, perhaps power."""
    total = 6 + power
    for position, level in enumerate(LEVELS):
        yield _capture(
            dut, run, group, overdrive, "steady", (level, level), f"steady-{level:03d}", total, position, seed, samples, 2
        )
    for position, (a, b) in enumerate(PAIRS, 3):
        name = f"step-{a:03d}-{b:03d}"
        yield _capture(dut, run, group, overdrive, "step", (a, b), name, total, position, seed, samples, 2 * repeats)
    if power:
        yield _capture(dut, run, group, overdrive, "power", (0, 255), "power", total, 6, seed, 20, 1)


def _capture(dut, run, group, overdrive, kind, pair, name, total, position, seed, samples, segments):
    rng = np.random.default_rng([seed, zlib.crc32(f"{dut}{run[-4:] if seed is None else ''}{group}{name}".encode())])
    a, b = pair
    t = 2e-5 * (np.arange(samples) - 50)
    tau = 2e-4 * (1 + b / 255) * (0.5 if overdrive != "off" else 1.0)
    rise = np.where(t > 0, -np.expm1(-np.clip(t, 0, None) / tau), 0.0)
    rows = [a + (b - a) * (rise if i % 2 == 0 else 1 - rise) for i in range(segments)]
    codes = np.rint(50 * np.array(rows) + rng.normal(0, 5, (segments, samples))).astype(np.int16)
    from_level = np.array([pair[i % 2] for i in range(segments)], np.int32)
    to_level = np.array([pair[1 - i % 2] for i in range(segments)], np.int32)
    channel = "value" if kind in ("power", "trend") else "light"
    return Capture(
        meta=CaptureMeta(
            id=_IDS.new(),
            run=run,
            key=f"{group}-{name}",
            kind=kind,
            group=group,
            dut=DUT(maker="Invented", model=dut, panel="LCD"),
            condition=Condition(refresh_rate_hz=60.0, overdrive=overdrive),
            started_utc=f"2026-02-03T04:05:{position:02d}Z",
            started_monotonic_s=1.0,
            planned=Planned(position=position + 1, total=2 * total, group_total=total, steady_total=3, repeats=3),
        ),
        channels={channel: Channel(codes, 1e-3, 0.0, "W" if kind == "power" else "V", -32768, 32767)},
        start_s=float(t[0]),
        interval_s=2e-5,
        from_level=from_level,
        to_level=to_level,
        flags=np.zeros(segments, np.uint32),
        trigger_s=0.1 * np.arange(segments),
        time_s=0.2 * np.arange(samples) if kind == "power" else None,
    )
