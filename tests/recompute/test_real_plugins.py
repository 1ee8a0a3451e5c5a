"""The built-in plugins through every way of computing: one process or two, with and without prepared traces."""

from __future__ import annotations

import pytest
from greystep.daemon.analysis.backend import Serial, Setup
from greystep.daemon.analysis.engine import Engine
from greystep.daemon.analysis.methods import load_methods
from greystep.daemon.analysis.pool import Pool
from greystep.daemon.analysis.recompute import Recompute
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.host import PluginHost

from ..benchmarks.speed import scene
from .laboratory import dump


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return scene.build(tmp_path_factory.mktemp("real") / "home", samples=2000)


def test_all_ways_give_the_same_figures_to_the_last_bit(small, tmp_path):
    host = PluginHost.load()
    methods = load_methods(host.method_files, host.estimators, host.preparers)
    root = small.root

    def figures(name, backend):
        with Catalogue(tmp_path / f"{name}.sqlite", write=True) as catalogue:
            catalogue.add_captures(small.headers)
            Recompute(catalogue, methods).run(backend)
            assert catalogue.failures() == []
            return dump(catalogue)

    alone = figures("alone", Serial(Engine(small.archive, host.estimators, host.preparers)))
    assert len({m.split("method='")[1].split("'")[0] for m in alone}) >= 6
    for name in ("first", "prepared"):
        pool = Pool(Setup(str(root / "raw"), str(root / "prepared")), 2)
        try:
            assert figures(name, pool) == alone
        finally:
            pool.close()
    kept = list((root / "prepared").glob("*/*/*.prepared"))
    assert len(kept) == 1 + 15, "one context, and the subjects of each capture"
