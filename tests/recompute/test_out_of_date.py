"""A figure is computed again exactly when its fingerprint or its raw files differ; old figures stay."""

from __future__ import annotations

from dataclasses import replace

import pytest
from greystep.daemon.analysis.pool import Pool
from greystep.daemon.catalogue.entries import Filter
from greystep.schema.errors import GreystepError, PluginError

from .laboratory import Laboratory, dump, group_captures, method
from .tiny import COUNTS, ESTIMATORS, tiny_engine


def wanted(*methods):
    return [(m.id, m.fingerprint, m.kinds) for m in methods]


def test_nothing_is_computed_twice(lab: Laboratory):
    lab.run(power=True)
    methods = [method(), method("power", "tiny-power")]
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        first = lab.compute(catalogue, methods)
        assert first.results == 2 * (3 + 1) + 2 * (1 + 1)
        COUNTS.clear()
        catalogue.add_captures(lab.headers)
        assert lab.compute(catalogue, methods).results == 0
        assert COUNTS == {}


def test_a_changed_parameter_concerns_that_method_only_and_the_old_figures_stay(lab: Laboratory):
    lab.run(conditions=("off",))
    old, new, other = method(), method(threshold=0.9), method("other")
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [old, other])
        before = dump(catalogue, Filter(method=("tiny",)))
        assert [(m.captures, m.groups) for m in catalogue.missing(wanted(new, other))] == [(3, 1), (0, 0)]
        assert lab.compute(catalogue, [new, other]).results == 4
        assert dump(catalogue, Filter(fingerprint=(old.fingerprint,), method=("tiny",))) == before
        assert {m.fingerprint for m in catalogue.results(Filter(method=("tiny",)))} == {new.fingerprint}
        assert [m.captures for m in catalogue.missing(wanted(new, other))] == [0, 0]
        # Back to the old definition: everything is there already, only the view changes.
        assert lab.compute(catalogue, [old, other]).results == 0
        assert dump(catalogue, Filter(method=("tiny",))) == before


def test_until_it_is_computed_the_current_view_shows_the_older_figures(lab: Laboratory):
    from greystep.daemon.analysis.scheduler import declare

    lab.run(conditions=("off",))
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [method()])
        shown = dump(catalogue, Filter())
        declare(catalogue, [method(threshold=0.9)])
        assert dump(catalogue, Filter()) == shown
        declare(catalogue, [])
        assert dump(catalogue, Filter()) == []
        assert dump(catalogue, Filter(current=False)) == shown


def test_a_new_estimator_version_makes_its_figures_out_of_date(lab: Laboratory, monkeypatch):
    lab.run(conditions=("off",))
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [method()])
        monkeypatch.setattr(type(ESTIMATORS["tiny"]), "version", 2)
        newer = method()
        assert newer.fingerprint != catalogue.methods()[0].fingerprint
        assert lab.compute(catalogue, [newer]).results == 4


def test_a_method_that_this_process_has_in_another_version_is_refused_and_leaves_no_trace(lab: Laboratory):
    lab.run(conditions=("off",))
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        with pytest.raises(PluginError, match="version 7 is needed, this process has version 1"):
            lab.compute(catalogue, [replace(method(), estimator_version=7)])
        pool = Pool(lab.setup, 1, factory=tiny_engine)
        try:
            with pytest.raises(GreystepError, match="version 7 is needed, this process has version 1"):
                lab.compute(catalogue, [replace(method(), estimator_version=7)], pool)
        finally:
            pool.close()
        assert catalogue.failures() == []


def test_a_late_steady_capture_makes_the_light_figures_of_its_group_out_of_date_and_no_others(lab: Laboratory):
    run = lab.run(conditions=("off",), power=True)
    late = next(h for h in lab.headers if h.meta.key == "c01-steady-128")
    lab.headers += [lab.archive.write(c) for c in group_captures("Heron", run, "c02", "strong")]
    methods = [method(), method("power", "tiny-power")]
    with lab.fresh() as catalogue:
        catalogue.add_captures(h for h in lab.headers if h is not late)
        lab.compute(catalogue, methods)
        assert "incomplete" in catalogue.results(Filter(group=("c01",), method=("tiny",)))[0].figure.flags
        catalogue.add_capture(late)
        assert [(m.captures, m.groups) for m in catalogue.missing(wanted(*methods))] == [(3, 1), (0, 1)]
        progress = lab.compute(catalogue, methods)
        # Three pairs and their summary; the power summary too, because the group was not complete before.
        assert progress.results == 5
        assert all("incomplete" not in m.figure.flags for m in catalogue.results(Filter(group=("c01",))))


def test_a_late_power_capture_of_the_other_condition_changes_the_difference(lab: Laboratory):
    lab.run(power=True)
    late = next(h for h in lab.headers if h.meta.key == "c01-power")
    power = method("power", "tiny-power")
    with lab.fresh() as catalogue:
        catalogue.add_captures(h for h in lab.headers if h is not late)
        lab.compute(catalogue, [power])
        assert [m for m in catalogue.results() if m.figure.quantity == "power_overdrive"] == []
        catalogue.add_capture(late)
        lab.compute(catalogue, [power])
        found = [m for m in catalogue.results() if m.figure.quantity == "power_overdrive"]
        assert [(m.group, late.sha256 in m.inputs) for m in found] == [("c02", True)]


def test_live_work_waits_for_the_steady_captures_and_for_the_whole_group(lab: Laboratory):
    lab.run(conditions=("off",))
    steady = [h for h in lab.headers if h.meta.kind == "steady"]
    steps = [h for h in lab.headers if h.meta.kind == "step"]

    def live(catalogue):
        return lab.compute(catalogue, [method()], rows=[1], settled=lambda _: False).results

    with lab.fresh() as catalogue:
        catalogue.add_captures([*steady[:2], steps[0]])
        assert live(catalogue) == 0
        catalogue.add_capture(steady[2])
        assert live(catalogue) == 1
        catalogue.add_captures(steps[1:2])
        assert live(catalogue) == 1
        catalogue.add_captures(steps[2:])
        assert live(catalogue) == 2
        assert catalogue.backlog(frozenset({f"tiny@{method().fingerprint}"})) == []
