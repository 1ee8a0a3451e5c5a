"""Homes with invented displays measured by synthetic captures, analysed by the real methods."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from greystep.daemon.analysis.backend import Serial, home_setup
from greystep.daemon.analysis.methods import load_methods, method_files
from greystep.daemon.analysis.scheduler import Scheduler, declare
from greystep.daemon.analysis.worker import make_engine
from greystep.daemon.archive.archive import Archive
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.schema.capture import Capture, CaptureMeta, Channel, Planned
from greystep.schema.dut import DUT, Condition, Sensor
from greystep.schema.ids import IdSource

_IDS = IdSource()
HOSTILE = '<script>alert("x")</script> & "quoted" </title>'


def make_home(root, displays, *, levels=(0, 128, 255), repeats=3, samples=2500, rate_hz=50e3, methods=None, trend=False):
    """A home with its runs.

    Args:
        displays: (model, time constant in s) or (DUT, time constant).
        methods: ids of those to compute; None: all; empty: none.
        trend: whether a slow series of the luminance meter is there as well.
    """
    home = Home(root).create()
    host = PluginHost.load()
    known = load_methods(method_files(host.method_files, home.root), host.estimators, host.preparers)
    archive = Archive(home.raw)
    runs = []
    with Catalogue(home.catalogue, write=True) as catalogue:
        for display, tau in displays:
            dut = display if isinstance(display, DUT) else DUT(maker="Invented", model=display, panel="LCD")
            runs.append(_IDS.new())
            captures = list(_captures(dut, runs[-1], tau, levels, repeats, samples, rate_hz))
            captures += [_trend(captures[0])] if trend else []
            catalogue.add_captures([archive.write(c) for c in captures])
            catalogue.mark_run_ended(runs[-1])
        chosen = known.require(*(methods or ())) if methods is None or methods else []
        declare(catalogue, chosen)
        scheduler = Scheduler(catalogue, chosen, Serial(make_engine(home_setup(home.root))))
        scheduler.offer(catalogue.backlog(scheduler.keys))
        while not scheduler.idle:
            scheduler.turn(0.5)
    return home, runs


def _captures(dut, run, tau, levels, repeats, samples, rate_hz):
    pairs = [(a, b) for i, a in enumerate(levels) for b in levels[i + 1 :]]
    held = sorted({*levels, 8, 16, 32, 64, 96, 160, 192, 224})
    names = [(f"steady-{v:03d}", (v, v), 2) for v in held]
    names += [(f"step-{a:03d}-{b:03d}", (a, b), 2 * repeats) for a, b in pairs]
    for position, (name, pair, segments) in enumerate(names):
        yield _capture(dut, run, pair, name, len(names), len(held), position, samples, segments, rate_hz, tau)


def _capture(dut, run, pair, name, total, steady, position, samples, segments, rate_hz, tau):
    rng = np.random.default_rng([position, len(name), round(1e6 * tau)])
    low, high = (100 * (v / 255) ** 2.2 for v in pair)
    start = -0.01
    t = start + np.arange(samples) / rate_hz
    rise = np.where(t > 2e-3, -np.expm1(-np.clip(t - 2e-3, 0, None) / tau), 0.0)
    rows = [low + (high - low) * (rise if i % 2 == 0 else 1 - rise) for i in range(segments)]
    codes = np.rint(250 * np.array(rows) - 12500 + rng.normal(0, 1, (segments, samples))).astype(np.int16)
    first = np.array([pair[i % 2] for i in range(segments)], np.int32)
    kind = name.split("-")[0]
    return Capture(
        meta=CaptureMeta(
            id=_IDS.new(),
            run=run,
            key=f"c01-{name}",
            kind=kind,
            group="c01",
            dut=dut,
            condition=Condition(refresh_rate_hz=60.0, overdrive="off"),
            sensor=Sensor(bandwidth_hz=100e3),
            operator="Invented Co-operative",
            started_utc="2026-01-02T03:04:05Z",
            started_monotonic_s=1.0,
            planned=Planned(position=position + 1, total=total, group_total=total, steady_total=steady, repeats=segments // 2),
            software={"greystep": "0.1.0"},
        ),
        channels={"light": Channel(codes, 1e-4, 1.25, "V", -32768, 32767)},
        start_s=start,
        interval_s=1 / rate_hz,
        from_level=first,
        to_level=np.array([pair[1 - i % 2] for i in range(segments)], np.int32),
        flags=np.zeros(segments, np.uint32),
        trigger_s=0.25 * np.arange(segments),
    )


def _trend(like):
    """Half an hour of warming up, 3 % with a time constant of 300 s."""
    times = np.arange(0, 1800, 5.0)
    values = 100 * (1 - 0.03 * np.exp(-times / 300)) + np.random.default_rng(5).normal(0, 0.01, len(times))
    return replace(
        like,
        meta=like.meta.model_copy(update={"id": _IDS.new(), "key": "c01-trend", "kind": "trend"}),
        channels={"value": Channel(values[None, :], 1.0, 0.0, "cd/m2")},
        start_s=0.0,
        interval_s=5.0,
        time_s=times,
        from_level=np.array([255], np.int32),
        to_level=np.array([255], np.int32),
        flags=np.zeros(1, np.uint32),
        trigger_s=np.zeros(1),
    )
