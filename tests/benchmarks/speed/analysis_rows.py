"""From raw files, or prepared traces, to figures."""

from __future__ import annotations

import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from greystep.daemon.analysis.backend import Serial, Setup
from greystep.daemon.analysis.engine import Engine
from greystep.daemon.analysis.methods import MethodSet, ResolvedMethod, load_methods
from greystep.daemon.analysis.pool import Pool
from greystep.daemon.analysis.prepared import PreparedCache
from greystep.daemon.analysis.recompute import Recompute
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.host import PluginHost

from . import plain
from .archive_rows import _inflate
from .row import Row, best_s
from .scene import Scene

METHOD = "duration-10-90"


class Bench:
    """Plugins and methods, loaded once."""

    def __init__(self, scene: Scene, root: Path) -> None:
        self.scene, self.root = scene, root
        self.host = PluginHost.load()
        self.loaded = load_methods(self.host.method_files, self.host.estimators, self.host.preparers)

    def engine(self, cache: Path | None = None) -> Engine:
        """An engine of this process with nothing in memory."""
        kept = PreparedCache(cache) if cache else None
        return Engine(self.scene.archive, self.host.estimators, self.host.preparers, kept)

    def only(self, *names: str) -> MethodSet:
        """A method set."""
        return MethodSet({n: self.loaded.methods[n] for n in names})

    def catalogue(self) -> Catalogue:
        """A new one that knows the captures and no figure."""
        made = Catalogue(self.root / f"catalogue-{time.monotonic_ns()}.sqlite", write=True)
        made.add_captures(self.scene.headers)
        return made

    def recompute_s(self, methods: MethodSet, backend) -> float:  # type: ignore[no-untyped-def]
        """Wall time of a whole recompute, catalogue included."""
        with self.catalogue() as catalogue:
            return Recompute(catalogue, methods).run(backend).seconds


def rows(scene: Scene, root: Path) -> list[Row]:
    """All rows of the analysis."""
    bench = Bench(scene, root)
    method = bench.loaded.methods[METHOD]
    script_s = _script_s(scene, root)
    inflate_s = sum(best_s(_inflate(scene.archive.file(h.path)), 2) for h in scene.headers)
    samples = scene.traces * scene.samples
    raw_s = min(bench.recompute_s(bench.only(METHOD), Serial(bench.engine())) for _ in range(2))
    prepared = root / "prepared"
    bench.recompute_s(bench.only(METHOD), Serial(bench.engine(prepared)))
    cached_s = min(bench.recompute_s(_changed(method), Serial(bench.engine(prepared))) for _ in range(2))
    all_s = bench.recompute_s(bench.loaded, Serial(bench.engine(prepared)))
    shutil.rmtree(prepared)
    captures = len(scene.steps)
    return [
        _estimator(bench, method),
        Row(
            f"recompute {METHOD} from raw, one process, with budget, group figures and catalogue",
            "traces/s",
            scene.traces / raw_s,
            scene.traces / script_s,
            scene.traces / inflate_s,
            "inflating the chunks, nothing else",
            goal="80 % of inflating",
            note="reading and checking take two fifths, the estimator a quarter, the group's context a seventh",
            met=inflate_s / raw_s >= 0.8,
        ),
        Row(
            "the same with a changed threshold, from prepared traces",
            "traces/s",
            scene.traces / cached_s,
            scene.traces / raw_s,
            scene.traces / (samples * 4 / _copy_bytes_s()),
            "copying the prepared traces in memory",
            goal="20 times from raw (shown as script)",
            note="the estimator itself limits it, not the preparation that is saved",
            met=raw_s / cached_s >= 20,
        ),
        Row("all built-in methods from prepared traces, one process", "captures/s", captures / all_s),
    ]


def _changed(method: ResolvedMethod) -> MethodSet:
    """The method under another fingerprint."""
    tick = time.monotonic_ns()
    return MethodSet({method.id: replace(method, fingerprint=f"{tick:064x}")})


def _estimator(bench: Bench, method: ResolvedMethod) -> Row:
    """The estimator alone: subjects in memory, figures out."""
    scene = bench.scene
    estimator = bench.host.estimators[method.definition.estimator]
    preparer = bench.host.preparers[method.preparer]
    parameters = estimator.Parameters.model_validate(method.parameters)
    preparation = preparer.Parameters.model_validate(method.preparation)
    steady = [scene.archive.read(h.path) for h in scene.headers[:5]]
    context = preparer.context(steady, preparation)
    capture = scene.archive.read(scene.steps[3].path)
    subjects = preparer.subjects(capture, context, preparation)
    pairs = list(zip(capture.from_level.tolist(), capture.to_level.tolist(), strict=True))
    codes = capture.channels["light"].codes
    # A new subject each time: what an estimator found out about one before would be no work of this row.
    ours = capture.segments / best_s(lambda: [estimator.estimate(replace(s), context, parameters) for s in subjects], 5)
    script = capture.segments / best_s(lambda: plain.summarise(codes, pairs, 5e-5, capture.interval_s, capture.start_s), 2)
    limit = _copy_bytes_s() / (scene.samples * codes.itemsize)
    return Row(
        f"estimator {METHOD} alone, {len(method.parameters.get('quantities', ()))} quantities with budgets",
        "traces/s",
        ours,
        script,
        limit,
        "copying the integer traces in memory",
        goal="50 times the script, a quarter of a memory copy",
        note="two thirds are Python between the compiled loops: instants, budgets, words; the script gives no budget",
        met=ours / script >= 50 and ours / limit >= 0.25,
    )


def _copy_bytes_s() -> float:
    """Memory copy, bytes a second."""
    source = np.ones(64 << 20, np.uint8)
    target = np.empty_like(source)
    return source.nbytes / best_s(lambda: np.copyto(target, source), 5)


def _script_s(scene: Scene, root: Path) -> float:
    """Files as the script wrote them, to figures."""
    paths = []
    for i, header in enumerate(scene.steps):
        paths.append(root / f"plain-{i}.h5")
        plain.write(scene.archive.read(header.path), paths[-1])
    return best_s(lambda: [plain.figures(p) for p in paths], 1)


def parallel_rows(scene: Scene, root: Path) -> list[Row]:
    """Two processes against one, over the same captures, all methods, from raw; processes started before the clock."""
    bench = Bench(scene, root)
    setup = Setup(str(scene.root / "raw"))
    seconds = {}
    for workers in (1, 2):
        pool = Pool(setup, workers)
        try:
            bench.recompute_s(bench.loaded, pool)
            seconds[workers] = min(bench.recompute_s(bench.loaded, pool) for _ in range(3))
        finally:
            pool.close()
    rate = {n: len(scene.headers) / s for n, s in seconds.items()}
    return [
        Row(
            "recompute all methods from raw by two processes (script: one process of ours)",
            "captures/s",
            rate[2],
            rate[1],
            2 * rate[1],
            "twice one process",
            goal="1.8 times one",
            met=rate[2] / rate[1] >= 1.8,
        )
    ]
