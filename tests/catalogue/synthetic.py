"""Headers and results made without files, in any number: what the catalogue sees of a large archive."""

from __future__ import annotations

import hashlib
from itertools import islice

from greystep.daemon.catalogue.entries import Covered, MethodEntry, Result
from greystep.daemon.catalogue.inputs import Inputs
from greystep.daemon.catalogue.record import pack
from greystep.schema.capture import CaptureHeader, CaptureMeta, Planned
from greystep.schema.dut import DUT, Condition
from greystep.schema.figure import Component, Figure

PAIRS = [(0, 64), (0, 128), (0, 192), (0, 255), (64, 128), (64, 192), (64, 255), (128, 192), (128, 255), (192, 255)]
KEYS = [f"steady-{level:03d}" for level in range(0, 256, 15)] + [f"step-{a:03d}-{b:03d}" for a, b in PAIRS]
"""28 captures a group: 18 held levels and 10 pairs."""
METHOD = MethodEntry("band", "b" * 64, "Band", {"id": "band"})


def ulid(number):
    """A sortable id."""
    digits = "0123456789abcdefghjkmnpqrstvwxyz"
    return "01" + "".join(digits[number >> 5 * i & 31] for i in range(23, -1, -1))


def headers(captures, displays=40, conditions=4):
    """So many headers, in order of display, run, key as a scan of the archive gives them."""
    return islice(_headers(displays, conditions), captures)


def _headers(displays, conditions):
    number = 0
    for run in range(1_000_000):
        dut = DUT(maker="Invented", model=f"Viewer {run % displays:04d}", panel="LCD")
        name = ulid(1_000_000_000 + run)
        for c in range(conditions):
            condition = Condition(refresh_rate_hz=(60.0, 120.0)[c % 2], overdrive=("off", "strong")[c // 2 % 2])
            for position, key in enumerate(KEYS):
                number += 1
                yield _header(number, dut, name, f"c{c + 1:02d}", condition, key, position)


def _header(number, dut, run, group, condition, key, position):
    kind, _, levels = key.partition("-")
    numbers = [int(x) for x in levels.split("-")]
    digest = hashlib.sha256(str(number).encode()).hexdigest()
    meta = CaptureMeta.model_construct(
        id=ulid(number),
        run=run,
        key=f"{group}-{key}",
        kind=kind,
        group=group,
        dut=dut,
        condition=condition,
        origin="acquired",
        started_utc="2026-02-03T04:05:06Z",
        planned=Planned(position=position + 1, total=4 * len(KEYS), group_total=len(KEYS), steady_total=18),
    )
    path = f"{dut.id}/{run}/{group}-{key}.h5"
    return CaptureHeader(meta, 20, 12500, numbers[0], numbers[-1], digest, path, digest, 400_000)


def results_of(catalogue, group, method=METHOD, shift=0.0, figures=8):
    """A result for each step capture (`figures` figures over both directions) and one for the group."""
    captures = catalogue.group_captures(group)
    shared = Inputs.of(c.sha256 for c in captures if c.kind == "steady")
    steps = [c for c in captures if c.kind == "step"]
    out = []
    for c in steps:
        made = []
        for i in range(figures):
            pair = (c.from_level, c.to_level) if i % 2 else (c.to_level, c.from_level)
            value = 1e-3 * (1 + c.to_level / 255 + 0.01 * (group % 97)) + shift
            name = ("transition_duration", "overshoot", "settling_duration", "completion")[i // 2 % 4]
            made.append(pack(Figure(name, value, "s", *pair, budget=budget(value), repeats=10, detail=DETAIL)))
        out.append(Result(group, c.row, method.id, method.fingerprint, shared, tuple(made)))
    everything = Inputs.of(c.sha256 for c in captures)
    value = 2e-3 + 1e-5 * (group % 97) + shift
    names = ("transition_duration_mean", "transition_duration_worst", "overshoot_mean", "completion_mean")
    summary = tuple(pack(Figure(n, value, "s", budget=budget(value), repeats=20)) for n in names)
    out.append(Result(group, 0, method.id, method.fingerprint, everything, summary))
    entry = catalogue.group(group)
    return out, Covered(group, entry.version, frozenset({method.key}))


DETAIL = {"start_s": 0.001, "end_s": 0.004, "low": 0.1, "high": 0.9}


def budget(value):
    return (
        Component("scatter of the repeats", 0.01 * value, 9.0, "A"),
        Component("time base", 5e-5 * value, shared="timebase"),
        Component("curve", 0.004 * value, 17.0, "A", shared="curve"),
        Component("sampling", 5.8e-6, distribution="rectangular"),
    )
