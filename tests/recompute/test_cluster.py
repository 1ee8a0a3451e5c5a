"""A real Dask scheduler and real worker processes give the figures of one machine, also when a worker is killed at work."""

from __future__ import annotations

import signal
import time

import pytest
from greystep.daemon.analysis.analyst import Analyst
from greystep.daemon.analysis.methods import MethodSet
from greystep.daemon.analysis.recompute import Recompute
from greystep.schema.errors import GreystepError

from .laboratory import Laboratory, dump, method
from .real_cluster import RealCluster
from .tiny import broken_engine, tiny_engine

pytest.importorskip("distributed")
from greystep.daemon.analysis.cluster import Cluster

METHODS = MethodSet({m.id: m for m in (method(), method("low", threshold=0.1), method("power", "tiny-power"))})


@pytest.fixture
def real(tmp_path, request):
    (tmp_path / "cluster").mkdir()
    made = RealCluster(tmp_path / "cluster", getattr(request, "param", 3))
    yield made
    made.close()


def expected(lab):
    with lab.fresh("reference") as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, list(METHODS.methods.values()))
        return dump(catalogue)


def test_a_cluster_that_loses_a_worker_in_the_middle_gives_the_figures_of_one_machine(lab: Laboratory, real: RealCluster):
    for seed, name in enumerate(("Heron", "Plover", "Dunlin", "Knot")):
        lab.run(name, power=True, seed=seed)
    workers = [real.add_worker(), real.add_worker()]
    cluster = Cluster(real.address, lab.setup, factory=tiny_engine, timeout_s=60)
    try:
        end = time.monotonic() + 60
        while cluster.workers < 2 and time.monotonic() < end:
            time.sleep(0.1)
        assert cluster.workers == 2
        killed = []

        def kill_one(progress):
            if progress.results and not killed:
                killed.append(progress.results)
                workers[0].send_signal(signal.SIGKILL)

        with lab.fresh() as catalogue:
            catalogue.add_captures(lab.headers)
            report = Recompute(catalogue, METHODS).run(cluster, kill_one)
            assert killed
            assert killed[0] < report.results
            assert workers[0].wait(10) == -signal.SIGKILL
            assert report.quarantined == ()
            assert dump(catalogue) == expected(lab)
            assert catalogue.failures() == []
    finally:
        cluster.close()


@pytest.mark.soak
@pytest.mark.parametrize("real", [1], indirect=True)
def test_what_kills_every_worker_is_given_up_and_the_rest_is_computed(lab: Laboratory, real: RealCluster):
    lab.run(conditions=("off",))
    for _ in range(2):
        real.add_worker(nanny=True)
    cluster = Cluster(real.address, lab.setup, factory=tiny_engine, timeout_s=60)
    try:
        with lab.fresh() as catalogue:
            catalogue.add_captures(lab.headers)
            sick = MethodSet({"sick": method("sick", dies_on="kill 0-128")})
            Recompute(catalogue, sick).run(cluster)
            broken = catalogue.failures()
            assert [(f["method"], "step-000-128" in f["path"]) for f in broken] == [("sick", True)]
            assert len([m for m in catalogue.results() if m.capture]) == 8
    finally:
        cluster.close()


def test_a_deserted_cluster_is_a_message_and_no_endless_wait(lab: Laboratory, real: RealCluster, monkeypatch):
    monkeypatch.setattr("greystep.daemon.analysis.cluster._DESERTED_S", 3.0)
    lab.run(conditions=("off",))
    worker = real.add_worker()
    cluster = Cluster(real.address, lab.setup, factory=tiny_engine, timeout_s=60)
    worker.kill()
    try:
        with lab.fresh() as catalogue:
            catalogue.add_captures(lab.headers)
            with pytest.raises(GreystepError, match="no worker left"):
                Recompute(catalogue, METHODS).run(cluster)
    finally:
        cluster.close()


def test_live_analysis_may_use_a_cluster_too(lab: Laboratory, real: RealCluster):
    lab.run(power=True)
    real.add_worker()
    catalogue = lab.fresh()
    cluster = Cluster(real.address, lab.setup, factory=tiny_engine, timeout_s=60)
    analyst = Analyst(catalogue, list(METHODS.methods.values()), cluster).start()
    try:
        for header in lab.headers:
            analyst.notify(header)
        assert analyst.drain(60)
        assert dump(catalogue) == expected(lab)
    finally:
        analyst.close()


def test_workers_without_the_plugins_are_a_message(lab: Laboratory, real: RealCluster):
    lab.run(conditions=("off",))
    real.add_worker()
    cluster = Cluster(real.address, lab.setup, factory=broken_engine, timeout_s=60)
    try:
        with lab.fresh() as catalogue:
            catalogue.add_captures(lab.headers)
            with pytest.raises(GreystepError, match="no plugin could be loaded"):
                Recompute(catalogue, METHODS).run(cluster)
            assert catalogue.failures() == []
    finally:
        cluster.close()


def test_no_scheduler_and_no_worker_are_messages(lab: Laboratory, real: RealCluster):
    with pytest.raises(GreystepError, match="no scheduler answers"):
        Cluster("tcp://127.0.0.1:9", lab.setup, timeout_s=1)
    with pytest.raises(GreystepError, match="has no worker"):
        Cluster(real.address, lab.setup, timeout_s=1)
