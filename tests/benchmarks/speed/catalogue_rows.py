"""The catalogue at scale: queries warm, rebuild, growth."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

from greystep.daemon.analysis.indexing import index
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.schema.capture import CaptureHeader

from ...catalogue import synthetic
from .row import Row, best_s
from .scene import Scene

_LOT = 500
FIGURES = 22
"""A step capture: with the groups' own figures 8 measurements a capture over all captures."""


def rows(root: Path, captures: int) -> list[Row]:
    """Fill a catalogue and ask it."""
    path = root / "scale.sqlite"
    with Catalogue(path, write=True) as catalogue:
        headers = synthetic.headers(captures, displays=1000)
        half_s = _take_in(catalogue, islice(headers, captures // 2))
        whole_s = _take_in(catalogue, headers)
        measurements, store_s = _fill(catalogue)
    size_mb = path.stat().st_size / 1e6
    facts = f"{captures:,} captures, {measurements:,} measurements, {size_mb:,.0f} MB"
    with Catalogue(path) as catalogue:
        dut = catalogue.duts()[5]["dut"]
        one = Filter(overdrive=("off",), refresh_rate_hz=(60.0,))
        step = frozenset({"step"})
        questions: dict[str, Callable[[], object]] = {
            "current measurements of a display, as columns": lambda: catalogue.columns(Filter(dut=(dut,))),
            "current measurements of a display, as objects": lambda: catalogue.results(Filter(dut=(dut,))),
            "ranking under a method and condition": lambda: catalogue.ranking("band", "transition_duration_mean", one),
            "what is out of date, 10 methods": lambda: catalogue.missing([(f"m{i}", "0" * 64, step) for i in range(10)]),
            "first 64 groups of the backlog": lambda: catalogue.backlog(frozenset({"m@0"}), limit=64),
        }
        asked = [
            Row(f"{what} ({facts})", "ms", s * 1e3, goal="50 ms", met=s < 0.05, lower_is_better=True)
            for what, question in questions.items()
            if (s := best_s(question))
        ]
    rate = captures / (half_s + whole_s)
    return [
        *asked,
        Row(
            "catalogue: captures added, second half of them",
            "captures/s",
            (captures - captures // 2) / whole_s,
            limit=captures // 2 / half_s,
            limit_is="the first half",
            goal="linear growth",
            met=whole_s < 1.5 * half_s,
            note=f"{rate:,.0f} overall, making the headers included",
        ),
        Row("catalogue: measurements stored with budgets", "rows/s", measurements / store_s),
    ]


def _take_in(catalogue: Catalogue, headers: Iterator[CaptureHeader]) -> float:
    began = time.perf_counter()
    while lot := list(islice(headers, 2000)):
        catalogue.add_captures(lot)
    return time.perf_counter() - began


def _fill(catalogue: Catalogue) -> tuple[int, float]:
    catalogue.set_methods([synthetic.METHOD])
    results, covered = [], []
    count, spent = 0, 0.0
    groups = [g.row for g in catalogue.groups()]
    for i, row in enumerate(groups):
        made, statement = synthetic.results_of(catalogue, row, figures=FIGURES)
        results += made
        covered.append(statement)
        if len(results) >= _LOT or i == len(groups) - 1:
            count += sum(len(r.records) for r in results)
            began = time.perf_counter()
            catalogue.store(results, covered)
            spent += time.perf_counter() - began
            results, covered = [], []
    return count, spent


def rebuild_rows(scene: Scene, root: Path) -> list[Row]:
    """Header blocks of real files into a new catalogue."""
    import json

    import h5py

    def ours() -> None:
        (root / "rebuild.sqlite").unlink(missing_ok=True)
        with Catalogue(root / "rebuild.sqlite", write=True) as catalogue:
            index(scene.archive, catalogue)

    def script() -> None:
        for path in scene.archive.scan():
            with h5py.File(scene.archive.file(path), "r", locking=False) as file:
                json.loads(bytes(file["entry/greystep/metadata"][()]).rstrip(b"\0"))

    def bare() -> None:
        for path in scene.archive.scan():
            with scene.archive.file(path).open("rb", buffering=0) as stream:
                stream.read(8192)

    count = len(scene.headers)
    rate = [count / best_s(job, 3) for job in (ours, script, bare)]
    return [
        Row(
            f"rebuild the catalogue from {count} files",
            "captures/s",
            *rate,
            "reading the first 8 KiB of each",
            goal="2,000 a core",
            met=rate[0] >= 2000,
            note="script: h5py, one JSON dataset a file",
        )
    ]
