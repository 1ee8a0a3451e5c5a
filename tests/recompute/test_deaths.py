"""A worker that dies, hangs or raises costs the figure it died of and no other."""

from __future__ import annotations

import time

import pytest
from greystep.daemon.analysis.pool import Pool
from greystep.schema.errors import GreystepError

from .laboratory import Laboratory, dump, method
from .tiny import broken_engine, tiny_engine


@pytest.fixture
def pool(lab: Laboratory):
    made = Pool(lab.setup, 2, factory=tiny_engine, stall_s=2.0)
    yield made
    made.close()


def figures(lab, catalogue):
    return [m for m in dump(catalogue) if "method='good'" in m]


def expected_good(lab):
    with lab.fresh("reference") as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [method("good")])
        return dump(catalogue)


@pytest.mark.parametrize("order", ["kill 0-128", "hang 0-128", "raise 0-128"])
def test_an_estimator_that_breaks_on_one_capture_costs_that_capture_and_no_other(lab: Laboratory, pool, order):
    lab.run()
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        progress = lab.compute(catalogue, [method("good"), method("sick", dies_on=order)], pool)
        assert figures(lab, catalogue) == expected_good(lab)
        broken = catalogue.failures()
        assert [(f["group"], f["method"], "step-000-128" in f["path"]) for f in broken] == [
            ("c01", "sick", True),
            ("c02", "sick", True),
        ]
        if not order.startswith("raise"):
            # Once with others or alone, then alone; a slow start on a busy machine may count too.
            assert 3 <= progress.deaths <= 6
            assert all("while computing sick of" in f["reason"] for f in broken)
        sick = [m for m in catalogue.results() if m.method == "sick"]
        assert len([m for m in sick if m.capture]) == 16
        assert [m.figure.flags for m in sick if not m.capture] == [("incomplete",)] * 2
        assert lab.compute(catalogue, [method("good"), method("sick", dies_on=order)], pool).results == 0


def test_a_summary_that_kills_its_process_costs_the_summary_only(lab: Laboratory, pool):
    lab.run(conditions=("off",))
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [method("good"), method("sick", dies_on="kill summary")], pool)
        assert figures(lab, catalogue) == expected_good(lab)
        assert [(f["capture"], f["method"]) for f in catalogue.failures()] == [("", "sick")]
        assert len([m for m in catalogue.results() if m.method == "sick"]) == 12


def test_a_process_killed_once_is_replaced_and_nothing_is_lost(lab: Laboratory, pool):
    lab.run()
    mark = lab.root / "died-once"
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        progress = lab.compute(catalogue, [method("good"), method("once", dies_on=f"once {mark}")], pool)
        assert mark.exists()
        assert progress.deaths == 1
        assert progress.quarantined == []
        assert catalogue.failures() == []
        assert figures(lab, catalogue) == expected_good(lab)


@pytest.mark.parametrize("damage", ["steady", "step"])
def test_an_unreadable_capture_is_named_and_the_rest_is_computed_without_it(lab: Laboratory, damage):
    lab.run(conditions=("off",))
    victim = next(h for h in lab.headers if h.meta.kind == damage)
    path = lab.archive.file(victim.path)
    path.chmod(0o600)
    path.write_bytes(path.read_bytes()[:9000])
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [method()])
        assert [(f["capture"], f["method"]) for f in catalogue.failures()] == [(victim.meta.id, "")]
        found = catalogue.results()
        assert len([m for m in found if m.capture]) == (12 if damage == "steady" else 8)
        assert all("incomplete" in m.figure.flags for m in found if damage == "steady" or not m.capture)
        assert all(victim.sha256 not in m.inputs for m in found)
        assert catalogue.backlog(frozenset({f"tiny@{method().fingerprint}"})) == []


def test_plugins_that_do_not_load_stop_the_work_with_a_message(lab: Laboratory):
    lab.run(conditions=("off",))
    pool = Pool(lab.setup, 1, factory=broken_engine)
    try:
        with lab.fresh() as catalogue:
            catalogue.add_captures(lab.headers)
            with pytest.raises(GreystepError, match="no plugin could be loaded"):
                lab.compute(catalogue, [method()], pool)
            assert catalogue.failures() == []
    finally:
        pool.close()


def test_closing_a_pool_at_work_takes_no_time(lab: Laboratory):
    lab.run(conditions=("off",))
    pool = Pool(lab.setup, 1, factory=tiny_engine)
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        scheduler_batches = lab.batches(catalogue, [method("sick", dies_on="hang 0-128")])
        pool.submit(scheduler_batches)
        time.sleep(0.5)
        began = time.monotonic()
        pool.close()
        assert time.monotonic() - began < 2
