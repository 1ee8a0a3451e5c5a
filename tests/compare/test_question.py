"""Comparisons from a catalogue: like is compared with like, unless mixing is asked for."""

import math

import pytest
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.compare import compare
from greystep.schema.errors import GreystepError

from tests.catalogue.synthetic import METHOD, headers, results_of

MEAN = "transition_duration_mean"


@pytest.fixture
def catalogue(tmp_path):
    with Catalogue(tmp_path / "catalogue.sqlite", write=True) as made:
        made.add_captures(headers(3 * 4 * 28, displays=3))
        made.set_methods([METHOD])
        for g in made.groups():
            results, covered = results_of(made, g.row)
            made.store(results, [covered])
        yield made


def test_different_conditions_are_refused_unless_asked_for(catalogue):
    with pytest.raises(GreystepError, match="4 conditions"):
        compare(catalogue, method="band", quantity=MEAN)
    mixed = compare(catalogue, method="band", quantity=MEAN, mixed=True)
    assert mixed.mixed
    assert all("mixed" in p.standing.flags for p in mixed.places)


def test_one_condition_is_ranked_without_a_mark(catalogue):
    key = catalogue.conditions()[0]["condition"]
    made = compare(catalogue, method="band", quantity=MEAN, where=Filter(condition=(key,)))
    assert len(made.places) == 3
    assert not made.mixed
    assert made.places[0].rank == 1
    assert all(math.isfinite(r["value"]) for r in made.rows())


def test_a_display_is_found_by_a_part_of_its_name_and_a_wrong_one_gets_a_hint(catalogue):
    key = catalogue.conditions()[0]["condition"]
    made = compare(catalogue, method="band", quantity=MEAN, duts=["viewer 0001"], where=Filter(condition=(key,)))
    assert [p.standing.title for p in made.places] == ["Invented Viewer 0001"]
    with pytest.raises(GreystepError, match="did you mean"):
        compare(catalogue, method="band", quantity=MEAN, duts=["Invented Viewer 1001"])
    with pytest.raises(GreystepError, match="several"):
        compare(catalogue, method="band", quantity=MEAN, duts=["Viewer"])
