"""The analyst of the service: live captures first, backlog behind, nothing lost on the way."""

from __future__ import annotations

import sqlite3
import threading

import pytest
from greystep.daemon.analysis.analyst import Analyst
from greystep.daemon.analysis.backend import Serial
from greystep.daemon.analysis.pool import Pool

from .laboratory import Laboratory, dump, method
from .tiny import broken_engine, tiny_engine

METHODS = [method(), method("power", "tiny-power")]


@pytest.fixture
def analyst_of(lab: Laboratory):
    made = []

    def make(catalogue, backend=None, methods=METHODS, **kwargs):
        made.append(Analyst(catalogue, methods, backend or Serial(lab.engine()), **kwargs).start())
        return made[-1]

    yield make
    for analyst in made:
        analyst.close()
    assert [t.name for t in threading.enumerate() if t.name == "greystep-analyst"] == []


def expected(lab, methods=METHODS):
    with lab.fresh("reference") as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, methods)
        return dump(catalogue)


def test_captures_told_one_by_one_and_twice_give_the_figures_of_a_recompute(lab: Laboratory, analyst_of):
    lab.run(power=True)
    catalogue = lab.fresh()
    analyst = analyst_of(catalogue, Pool(lab.setup, 2, factory=tiny_engine))
    for header in lab.headers:
        analyst.notify(header)
        analyst.notify(header)
    assert analyst.drain(60)
    assert dump(catalogue) == expected(lab)
    status = analyst.status()
    assert (status.busy, status.captures_waiting, status.groups_waiting, status.problem) == (False, 0, 0, "")
    assert status.captures_done == 8


def test_the_end_of_a_run_sums_up_what_is_there(lab: Laboratory, analyst_of):
    run = lab.run(conditions=("off",))
    lost = lab.headers.pop()
    catalogue = lab.fresh()
    analyst = analyst_of(catalogue)
    for header in lab.headers:
        analyst.notify(header)
    assert analyst.drain(20)
    assert {m.capture for m in catalogue.results()} == {h.meta.id for h in lab.headers if h.meta.kind == "step"}
    analyst.notify_run_ended(run)
    assert analyst.drain(20)
    summary = [m for m in catalogue.results() if not m.capture]
    assert [m.figure.flags for m in summary] == [("incomplete",)]
    analyst.notify(lost)
    assert analyst.drain(20)
    lab.headers.append(lost)
    assert dump(catalogue) == expected(lab)


def test_a_run_that_falls_silent_is_summed_up(lab: Laboratory, analyst_of):
    lab.run(conditions=("off",))
    lab.headers.pop()
    now = [0.0]
    catalogue = lab.fresh()
    analyst = analyst_of(catalogue, clock=lambda: now[0], idle_s=100.0)
    for header in lab.headers:
        analyst.notify(header)
    assert analyst.drain(20)
    assert all(m.capture for m in catalogue.results())
    now[0] = 101.0
    analyst.poke()
    assert analyst.drain(20)
    assert [m.figure.flags for m in catalogue.results() if not m.capture] == [("incomplete",)]


def test_after_a_restart_with_a_new_method_the_backlog_is_computed(lab: Laboratory, analyst_of):
    lab.run()
    lab.run("Plover")
    catalogue = lab.fresh()
    catalogue.add_captures(lab.headers)
    lab.compute(catalogue, METHODS)
    more = [*METHODS, method("late", threshold=0.8)]
    order = []
    analyst = analyst_of(catalogue, methods=more, stored=lambda results: order.extend(r.group for r in results))
    assert analyst.drain(20)
    assert dump(catalogue) == expected(lab, more)
    assert list(dict.fromkeys(order)) == [4, 3, 2, 1]


def test_methods_may_change_while_it_works(lab: Laboratory, analyst_of):
    lab.run()
    catalogue = lab.fresh()
    analyst = analyst_of(catalogue)
    for header in lab.headers:
        analyst.notify(header)
    newer = [method(threshold=0.7)]
    analyst.use_methods(newer)
    assert analyst.drain(20)
    assert {(m.method, m.fingerprint) for m in catalogue.results()} == {("tiny", newer[0].fingerprint)}
    assert len(catalogue.results()) == 2 * 13


def test_a_locked_catalogue_is_waited_out(lab: Laboratory, analyst_of, monkeypatch):
    monkeypatch.setattr("greystep.daemon.analysis.analyst._RETRY_S", 0.05)
    lab.run(conditions=("off",))
    catalogue = lab.fresh()
    catalogue._db.sql.execute("PRAGMA busy_timeout = 20")
    analyst = analyst_of(catalogue)
    assert analyst.drain(20)
    other = sqlite3.connect(catalogue.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    for header in lab.headers:
        analyst.notify(header)
    assert not analyst.drain(2)
    assert "locked" in analyst.status().problem
    other.execute("ROLLBACK")
    other.close()
    assert analyst.drain(20)
    assert dump(catalogue) == expected(lab)
    assert analyst.status().problem == ""


def test_workers_that_cannot_start_are_a_message_and_no_endless_loop(lab: Laboratory, analyst_of):
    lab.run(conditions=("off",))
    catalogue = lab.fresh()
    analyst = analyst_of(catalogue, Pool(lab.setup, 1, factory=broken_engine))
    for header in lab.headers:
        analyst.notify(header)
    assert not analyst.drain(60)
    assert "no plugin could be loaded" in analyst.status().problem


def test_figures_that_were_computed_on_demand_stay_in_the_current_view(lab: Laboratory, analyst_of):
    lab.run(conditions=("off",))
    catalogue = lab.fresh()
    catalogue.add_captures(lab.headers)
    asked_for = method("asked", threshold=0.3)
    lab.compute(catalogue, [*METHODS, asked_for])
    analyst = analyst_of(catalogue, methods=METHODS, declared=[*METHODS, asked_for])
    assert analyst.drain(20)
    assert {m.method for m in catalogue.results()} == {"tiny", "asked"}
    analyst.use_methods(METHODS, METHODS)
    assert analyst.drain(20)
    assert {m.method for m in catalogue.results()} == {"tiny"}
