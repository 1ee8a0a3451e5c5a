"""What changed between two methods: per display, with uncertainty, ranks, and the transitions that moved most."""

from __future__ import annotations

import json
import math

import pytest
from greystep.daemon.analysis.difference import compare
from greystep.daemon.catalogue.entries import Filter
from greystep.schema.errors import CatalogueError

from .laboratory import Laboratory, method

OLD, NEW = method(), method(threshold=0.8)


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory):
    lab = Laboratory(tmp_path_factory.mktemp("difference"))
    for seed, name in enumerate(("Heron", "Plover", "Dunlin")):
        lab.run(name, seed=seed)
    with lab.fresh() as made:
        made.add_captures(lab.headers)
        lab.compute(made, [OLD])
        lab.compute(made, [NEW])
        yield made


def test_every_display_is_shown_with_both_means_and_the_change(catalogue):
    made = compare(catalogue, OLD.fingerprint[:12], NEW.fingerprint)
    assert (made.old, made.new, made.only_old, made.only_new) == (OLD.fingerprint, NEW.fingerprint, 0, 0)
    assert made.parameters == (("parameters.threshold", 0.5, 0.8),)
    assert len(made.displays) == 6
    old = {(m.run, m.group): m for m in catalogue.results(Filter(fingerprint=(OLD.fingerprint,), scope="group"))}
    new = {(m.run, m.group): m for m in catalogue.results(Filter(fingerprint=(NEW.fingerprint,), scope="group"))}
    for d in made.displays:
        a, b = old[d.run, d.group], new[d.run, d.group]
        assert (d.old, d.new) == (a.figure.value, b.figure.value)
        assert d.change == b.figure.value - a.figure.value > 0
        # Nothing is shared in these budgets, so the change has the uncertainties of both (t factors differ: dof 5 and 10).
        assert d.expanded_uncertainty == pytest.approx(2.2281388 * math.hypot(a.u, b.u), rel=0.02)
        assert d.significant == (d.change > d.expanded_uncertainty)
        assert {d.rank_before, d.rank_after} <= {1, 2, 3}


def test_the_transitions_that_moved_most_come_first(catalogue):
    for d in compare(catalogue, OLD.fingerprint, NEW.fingerprint, most=4).displays:
        assert len(d.moved) == 4
        sizes = [abs(m.change) for m in d.moved]
        assert sizes == sorted(sizes, reverse=True)
        assert {m.quantity for m in d.moved} == {"transition_duration"}
        every = compare(catalogue, OLD.fingerprint, NEW.fingerprint, most=99)
        assert sizes[0] == max(abs(m.change) for e in every.displays if (e.run, e.group) == (d.run, d.group) for m in e.moved)


def test_shared_causes_cancel_in_the_change(catalogue):
    """Same effect of a named cause in both: it must not widen the change."""
    d = compare(catalogue, OLD.fingerprint, OLD.fingerprint).displays[0]
    assert d.change == 0
    assert not d.significant
    m = d.moved[0]
    own = catalogue.results(
        Filter(run=(d.run,), group=(d.group,), fingerprint=(OLD.fingerprint,), quantity=("transition_duration",))
    )
    scatter = next(x for x in own if (x.figure.from_level, x.figure.to_level) == (m.from_level, m.to_level))
    effect = catalogue.budget(scatter)[0][0].effect
    assert m.expanded_uncertainty == pytest.approx(2.7764451 * math.sqrt(2) * effect, rel=1e-6)  # t for 4 degrees of freedom


def test_the_ranks_are_those_of_the_displays_under_the_same_condition(catalogue):
    made = compare(catalogue, OLD.fingerprint, NEW.fingerprint)
    for condition in {d.condition for d in made.displays}:
        items = [d for d in made.displays if d.condition == condition]
        for d in items:
            assert d.rank_before == 1 + sum(e.old < d.old for e in items)
            assert d.rank_after == 1 + sum(e.new < d.new for e in items)


def test_it_can_be_printed_and_kept(catalogue):
    made = compare(catalogue, OLD.fingerprint, NEW.fingerprint)
    assert json.loads(json.dumps(made.as_json(), allow_nan=False))["displays"][0]["moved"]
    rows = made.rows()
    assert [r["change"] for r in rows if r["to_level"] is None] == [d.change for d in made.displays]
    assert len(rows) == 6 + sum(len(d.moved) for d in made.displays)
    assert len({tuple(r) for r in rows}) == 2, "a row of a display and one of a transition"
    assert all(v is None or isinstance(v, (str, int, float)) for r in rows for v in r.values())


@pytest.mark.parametrize(
    ("old", "words"), [("abc", "at least 6 digits"), ("f" * 12, "is unknown")], ids=["too short", "unknown"]
)
def test_a_fingerprint_that_says_nothing_is_refused(catalogue, old, words):
    with pytest.raises(CatalogueError, match=words):
        compare(catalogue, old, NEW.fingerprint)


def test_a_method_that_was_never_computed_says_what_to_do(catalogue):
    from greystep.daemon.analysis.scheduler import declare

    late = method("late", threshold=0.3)
    declare(catalogue, [NEW, late])
    with pytest.raises(CatalogueError, match="recompute --method late"):
        compare(catalogue, NEW.fingerprint, late.fingerprint)
