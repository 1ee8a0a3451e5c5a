"""Recompute: says what there is to do, does it once, tells what changed; everything comes back from the raw files alone."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace

import pytest
from greystep.daemon.analysis.backend import Serial
from greystep.daemon.analysis.indexing import index, rebuild
from greystep.daemon.analysis.methods import MethodSet
from greystep.daemon.analysis.pool import Pool
from greystep.daemon.analysis.recompute import Recompute
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.schema.errors import MethodError

from .laboratory import Laboratory, dump, method
from .tiny import tiny_engine


def methods(*made):
    return MethodSet({m.id: m for m in made})


def test_a_dry_run_counts_what_is_missing_and_changes_nothing(lab: Laboratory):
    lab.run(power=True)
    chosen = methods(method(), method("low", threshold=0.1), method("power", "tiny-power"))
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [method()])
        before = catalogue.path.read_bytes()
        with Catalogue(catalogue.path) as reader:
            plan = Recompute(reader, chosen).dry_run(2, lab.engine(cached=False))
        assert [(m.method, m.captures, m.groups, m.total) for m in plan.methods] == [
            ("tiny", 0, 0, 6),
            ("low", 6, 2, 6),
            ("power", 2, 2, 2),
        ]
        assert plan.captures == 6
        assert plan.measured
        assert 0 < plan.estimate_s < 5
        assert catalogue.path.read_bytes() == before
        assert {m.method for m in catalogue.results()} == {"tiny"}


def test_a_recompute_does_what_the_dry_run_said_and_tells_what_changed(lab: Laboratory):
    lab.run()
    lab.run("Plover")
    seen = []
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [method(), method("low", threshold=0.1)])
        newer = methods(method(threshold=0.6), method("low", threshold=0.1))
        report = Recompute(catalogue, newer).run(Serial(lab.engine()), seen.append)
        assert (report.captures, report.results, report.groups, report.stopped) == (12, 16, 4, False)
        assert [(c.method, c.old, c.new) for c in report.changed] == [
            ("tiny", method().fingerprint, newer.methods["tiny"].fingerprint)
        ]
        assert seen[-1].groups == seen[-1].groups_total == 4
        assert all(p.left_s >= 0 or math.isnan(p.left_s) for p in seen)
        again = Recompute(catalogue, newer).run(Serial(lab.engine()))
        assert (again.results, again.changed) == (0, ())


def test_a_recompute_can_be_kept_to_some_methods_displays_and_runs(lab: Laboratory):
    lab.run()
    run = lab.run("Plover")
    both = methods(method(), method("low", threshold=0.1))
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        Recompute(catalogue, both, ["low"], Filter(run=(run,), overdrive=("off",))).run(Serial(lab.engine()))
        assert {(m.method, m.run, m.group) for m in catalogue.results()} == {("low", run, "c01")}
        with pytest.raises(MethodError, match="no method 'high'"):
            Recompute(catalogue, both, ["high"])


def test_a_stopped_recompute_keeps_what_it_did_and_goes_on_there(lab: Laboratory):
    for name in ("Heron", "Plover", "Dunlin"):
        lab.run(name)
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        answers = iter([False, True])
        first = Recompute(catalogue, methods(method())).run(Serial(lab.engine()), stop=lambda: next(answers))
        assert first.stopped
        assert 0 < first.captures < 18
        second = Recompute(catalogue, methods(method())).run(Serial(lab.engine()))
        assert first.results + second.results == 24
    with lab.fresh("reference") as reference:
        reference.add_captures(lab.headers)
        lab.compute(reference, [method()])
        expected = dump(reference)
    with Catalogue(catalogue.path) as reader:
        assert dump(reader) == expected


def test_everything_but_the_raw_files_can_be_deleted_and_comes_back_to_the_last_bit(lab: Laboratory):
    lab.run(power=True)
    lab.run("Plover", power=True, seed=3)
    chosen = methods(method(), method("power", "tiny-power"), method("bright", preparation="gain = 2.0"))
    path = lab.root / "catalogue.sqlite"
    with Catalogue(path, write=True) as catalogue:
        catalogue.add_captures(lab.headers)
        Recompute(catalogue, chosen).run(Serial(lab.engine()))
        before = dump(catalogue), [replace(c, row=0) for c in catalogue.captures()], catalogue.runs(), catalogue.duts()
    path.unlink()
    shutil.rmtree(lab.root / "prepared")
    seen = []
    found = rebuild(lab.archive, path, seen.append)
    assert (found.new, found.known, found.problems) == (len(lab.headers), 0, [])
    pool = Pool(lab.setup, 2, factory=tiny_engine)
    try:
        with Catalogue(path, write=True) as catalogue:
            Recompute(catalogue, chosen).run(pool)
            assert (
                dump(catalogue),
                [replace(c, row=0) for c in catalogue.captures()],
                catalogue.runs(),
                catalogue.duts(),
            ) == before
    finally:
        pool.close()


def test_a_rebuild_names_what_it_cannot_read_and_keeps_the_old_catalogue(lab: Laboratory):
    lab.run(conditions=("off",))
    victim = lab.archive.file(lab.headers[0].path)
    victim.chmod(0o600)
    data = bytearray(victim.read_bytes())
    data[100] ^= 1
    victim.write_bytes(data)
    path = lab.root / "catalogue.sqlite"
    path.write_bytes(b"the old one")
    found = rebuild(lab.archive, path)
    assert found.new == 5
    assert len(found.problems) == 1
    assert lab.headers[0].path in found.problems[0]
    assert path.with_name("catalogue.sqlite.aside-1").read_bytes() == b"the old one"


def test_a_scan_finds_what_was_missed_without_reading_what_is_known(lab: Laboratory):
    lab.run(conditions=("off",))
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers[:-2])
        victim = lab.archive.file(lab.headers[0].path)
        victim.chmod(0o600)
        victim.write_bytes(b"known already, so not read")
        found = index(lab.archive, catalogue, trust_paths=True)
        assert (found.new, found.known, found.problems) == (2, 4, [])
