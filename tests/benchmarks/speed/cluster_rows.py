"""A Dask cluster on this machine: one worker, two workers, and what a batch costs on the way."""

from __future__ import annotations

import time
from pathlib import Path

from greystep.daemon.analysis.backend import Setup
from greystep.daemon.analysis.cluster import Cluster

from ...recompute.real_cluster import RealCluster
from .analysis_rows import Bench
from .row import Row
from .scene import Scene


def rows(scene: Scene, root: Path) -> list[Row]:
    """Captures a second by workers; seconds of worker and of wall time a capture."""
    bench = Bench(scene, root)
    setup = Setup(str(scene.root / "raw"))
    (root / "cluster").mkdir()
    real = RealCluster(root / "cluster", 3)
    rate = {}
    way_s = float("nan")
    try:
        for workers in (1, 2):
            real.add_worker()
            cluster = Cluster(real.address, setup, timeout_s=60)
            try:
                while cluster.workers < workers:
                    time.sleep(0.1)
                bench.recompute_s(bench.loaded, cluster)
                rate[workers] = len(scene.headers) / min(bench.recompute_s(bench.loaded, cluster) for _ in range(3))
                way_s = _empty_batch_s(cluster)
            finally:
                cluster.close()
    finally:
        real.close()
    return [
        Row(
            "recompute all methods from raw on a Dask cluster, two workers of one thread (script: one worker)",
            "captures/s",
            rate[2],
            rate[1],
            2 * rate[1],
            "twice one worker",
            goal="1.8 times one",
            met=rate[2] / rate[1] >= 1.8,
            note=f"an empty batch takes {1e3 * way_s:.1f} ms there and back",
        )
    ]


def _empty_batch_s(cluster: Cluster, count: int = 50) -> float:
    began = time.perf_counter()
    for _ in range(count):
        cluster.submit(())
        while not cluster.wait(1.0):
            pass
    return (time.perf_counter() - began) / count
