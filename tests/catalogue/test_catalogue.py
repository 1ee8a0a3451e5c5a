"""What the catalogue keeps, and how it hands it out."""

from __future__ import annotations

import random
import sqlite3
from dataclasses import replace

import pytest
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Covered, Filter, MethodEntry
from greystep.daemon.catalogue.export import write_parquet
from greystep.schema.errors import CatalogueError

from . import synthetic


@pytest.fixture
def catalogue(tmp_path):
    with Catalogue(tmp_path / "catalogue.sqlite", write=True) as made:
        yield made


def filled(catalogue, groups=4, methods=(synthetic.METHOD,)):
    catalogue.add_captures(synthetic.headers(groups * len(synthetic.KEYS), displays=2, conditions=2))
    catalogue.set_methods(methods)
    for method in methods:
        for group in range(1, groups + 1):
            results, covered = synthetic.results_of(catalogue, group, method)
            catalogue.store(results, [covered])
    return catalogue


def content(path):
    with sqlite3.connect(path) as sql:
        return "\n".join(sql.iterdump())


def test_adding_a_capture_twice_changes_nothing(catalogue):
    made = list(synthetic.headers(30))
    assert catalogue.add_captures(made) == 30
    before = content(catalogue.path)
    assert catalogue.add_captures(made) == 0
    assert not catalogue.add_capture(made[7])
    assert content(catalogue.path) == before
    assert catalogue.has_capture(made[7].meta.id)
    assert not catalogue.has_capture("0" * 26)


def test_listings_do_not_depend_on_the_order_of_arrival(tmp_path):
    made = list(synthetic.headers(150, displays=2, conditions=2))
    seen = []
    for seed in range(3):
        print("seed", seed)
        shuffled = made[:]
        random.Random(seed).shuffle(shuffled)
        with Catalogue(tmp_path / f"{seed}.sqlite", write=True) as catalogue:
            for i in range(0, len(shuffled), 40):
                catalogue.add_captures(shuffled[i : i + 40])
            plain = [replace(c, row=0) for c in catalogue.captures()]
            seen.append((plain, catalogue.runs(), catalogue.duts(), catalogue.conditions()))
    assert seen[0] == seen[1] == seen[2]
    assert [c.id for c in seen[0][0]][:3] == [h.meta.id for h in made][:3]


def test_two_different_files_with_one_id_are_refused_and_the_lot_is_not_half_taken(catalogue):
    made = list(synthetic.headers(3))
    catalogue.add_capture(made[0])
    liar = replace(made[0], sha256="f" * 64, path="elsewhere/run/x.h5")
    with pytest.raises(CatalogueError, match=r"two different files bear the capture id .*elsewhere"):
        catalogue.add_captures([made[1], liar, made[2]])
    assert len(catalogue.captures()) == 1
    assert catalogue.add_captures(made) == 2


def test_a_capture_that_moved_keeps_its_place(catalogue):
    made = next(iter(synthetic.headers(1)))
    catalogue.add_capture(made)
    catalogue.add_capture(replace(made, path="other/run/key.h5"))
    assert [c.path for c in catalogue.captures()] == ["other/run/key.h5"]


def test_results_can_be_asked_for_by_everything_that_they_have(catalogue):
    filled(catalogue)
    every = catalogue.results()
    assert len(every) == 4 * (10 * 8 + 4)
    first = every[0]
    for f, keep in [
        (Filter(dut=(first.dut,)), lambda m: m.dut == first.dut),
        (Filter(run=(first.run,)), lambda m: m.run == first.run),
        (Filter(condition=(first.condition,)), lambda m: m.condition == first.condition),
        (Filter(overdrive=("off",), refresh_rate_hz=(120.0,)), lambda m: m.group == "c02"),
        (Filter(quantity=("overshoot", "overshoot_mean")), lambda m: m.figure.quantity.startswith("overshoot")),
        (Filter(scope="group"), lambda m: not m.capture),
        (Filter(scope="capture"), lambda m: m.capture),
        (Filter(method=("none",)), lambda m: False),
        (Filter(quantity=("no such thing",)), lambda m: False),
        (Filter(fingerprint=("bbbbbb",)), lambda m: True),
    ]:
        assert [repr(m) for m in catalogue.results(f)] == [repr(m) for m in every if keep(m)]
        assert [repr(m) for m in catalogue.each_result(f)] == [repr(m) for m in every if keep(m)]
    with pytest.raises(CatalogueError, match="at least 6"):
        catalogue.results(Filter(fingerprint=("bbb",)))


def test_a_measurement_names_every_file_that_went_in(catalogue):
    filled(catalogue, 1)
    captures = {c.id: c.sha256 for c in catalogue.captures()}
    steady = {c.sha256 for c in catalogue.captures() if c.kind == "steady"}
    for m in catalogue.results():
        own = {captures[m.capture]} if m.capture else set(captures.values())
        assert set(m.inputs) == own | steady
        assert list(m.inputs) == sorted(m.inputs)


def test_columns_and_rows_say_the_same_as_the_measurements(catalogue):
    filled(catalogue, 2)
    every = catalogue.results()
    columns = catalogue.columns()
    assert columns["value"] == [m.figure.value for m in every]
    assert columns["capture"] == [m.capture or None for m in every]
    assert columns["expanded_uncertainty"] == [m.expanded_uncertainty for m in every]
    assert set(zip(columns["group"], columns["refresh_rate_hz"], columns["overdrive"], strict=True)) == {
        ("c01", 60.0, "off"),
        ("c02", 120.0, "off"),
    }
    shas = {c.id: c.sha256 for c in catalogue.captures()}
    assert columns["capture_sha256"] == [shas.get(m.capture) for m in every]
    rows = list(catalogue.each_row())
    assert [dict(zip(columns, r, strict=True)) for r in rows] == [
        dict(zip(columns, r, strict=True)) for r in zip(*columns.values(), strict=True)
    ]
    assert catalogue.columns(Filter(method=("none",)))["value"] == []


def test_any_result_set_goes_to_parquet_and_comes_back(catalogue, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    filled(catalogue, 2)
    f = Filter(quantity=("overshoot", "overshoot_mean"))
    path = tmp_path / "overshoot.parquet"
    assert write_parquet(catalogue, path, f) == len(catalogue.results(f))
    table = parquet.read_table(path)
    columns = catalogue.columns(f)
    assert table.column_names == list(columns)
    assert table.column("value").to_pylist() == columns["value"]
    assert table.column("capture").to_pylist() == columns["capture"]
    assert table.column("flags").to_pylist() == [x.split() for x in columns["flags"]]
    assert write_parquet(catalogue, path, Filter(method=("none",))) == 0
    assert parquet.read_table(path).num_rows == 0
    with pytest.raises(CatalogueError, match="can't be written"):
        write_parquet(catalogue, tmp_path / "no such folder" / "x.parquet", f)
    assert [p.name for p in tmp_path.iterdir() if "parquet" in p.name] == ["overshoot.parquet"]


def test_budget_and_details_are_fetched_when_asked_for(catalogue):
    filled(catalogue, 1)
    m = catalogue.results(Filter(quantity=("settling_duration",)))[3]
    assert m.figure.budget == ()
    components, detail = catalogue.budget(m)
    assert components == synthetic.budget(m.figure.value)
    assert detail == synthetic.DETAIL
    full = catalogue.with_budget(m)
    assert (full.figure.budget, full.figure.detail, full.u) == (components, detail, m.u)
    with pytest.raises(CatalogueError, match="not in the catalogue any more"):
        catalogue.budget(replace(m, fingerprint="c" * 64))


def test_old_figures_stay_and_the_current_view_follows_the_definition(catalogue):
    old, new = MethodEntry("band", "a" * 64, "Band", {}), MethodEntry("band", "c" * 64, "Band", {})
    filled(catalogue, 2, [old])
    before = [repr(m) for m in catalogue.results()]
    catalogue.set_methods([new])
    assert [repr(m) for m in catalogue.results()] == before
    results, covered = synthetic.results_of(catalogue, 1, new, shift=1.0)
    catalogue.store(results, [covered])
    current = catalogue.results()
    assert {(m.group, m.fingerprint[0]) for m in current} == {("c01", "c"), ("c02", "a")}
    assert [repr(m) for m in catalogue.results(Filter(fingerprint=("a" * 64,)))] == before
    catalogue.set_methods([old])
    assert [repr(m) for m in catalogue.results()] == before


def test_a_result_computed_again_takes_the_place_of_the_one_before(catalogue):
    filled(catalogue, 1)
    results, _ = synthetic.results_of(catalogue, 1, shift=0.5)
    catalogue.store(results)
    found = catalogue.results()
    assert len(found) == 84
    assert min(m.figure.value for m in found) > 0.5


def test_two_methods_may_share_a_fingerprint(catalogue):
    twin = MethodEntry("twin", synthetic.METHOD.fingerprint, "Twin", {})
    filled(catalogue, 1, [synthetic.METHOD, twin])
    assert {m.method for m in catalogue.results()} == {"band", "twin"}
    assert len(catalogue.results(Filter(method=("twin",)))) == 84


def test_what_was_up_to_date_before_a_new_capture_came_is_not_believed(catalogue):
    filled(catalogue, 1)
    keys = frozenset({synthetic.METHOD.key})
    assert catalogue.backlog(keys) == []
    version = catalogue.group(1).version
    extra = next(h for h in synthetic.headers(28, displays=2, conditions=2))
    extra = replace(extra, meta=extra.meta.model_copy(update={"id": synthetic.ulid(99_999)}), sha256="e" * 64)
    catalogue.add_capture(extra)
    assert catalogue.backlog(keys) == [1]
    catalogue.store((), [Covered(1, version, keys)])
    assert catalogue.backlog(keys) == [1], "a statement about older inputs must be passed over"
    catalogue.store((), [Covered(1, version + 1, keys)])
    assert catalogue.backlog(keys) == []


def test_the_backlog_is_newest_first_and_counts_by_method(catalogue):
    filled(catalogue, 4)
    other = MethodEntry("other", "d" * 64, "Other", {})
    keys = frozenset({synthetic.METHOD.key, other.key})
    assert catalogue.backlog(keys) == [4, 3, 2, 1]
    assert catalogue.backlog(keys, limit=2) == [4, 3]
    assert catalogue.backlog(keys, Filter(overdrive=("off",), refresh_rate_hz=(60.0,))) == [3, 1]
    step = frozenset({"step"})
    found = catalogue.missing([("band", synthetic.METHOD.fingerprint, step), ("other", other.fingerprint, step)])
    assert [(m.method, m.groups, m.captures, m.total) for m in found] == [("band", 0, 0, 40), ("other", 4, 40, 40)]


def test_the_ranking_takes_the_latest_run_of_each_display(catalogue):
    filled(catalogue, 8)
    f = Filter(overdrive=("off",), refresh_rate_hz=(60.0,))
    every = catalogue.ranking("band", "transition_duration_mean", f, all_runs=True)
    latest = catalogue.ranking("band", "transition_duration_mean", f)
    assert len(every) == 4
    assert len(latest) == 2
    assert {s.run for s in latest} == {max(s.run for s in every if s.dut == d) for d in {s.dut for s in every}}
    assert [s.value for s in every] == sorted(s.value for s in every)
    expected = {(m.run, m.figure.value, m.u) for m in catalogue.results(replace(f, quantity=("transition_duration_mean",)))}
    assert {(s.run, s.value, s.u) for s in every} == expected
    assert catalogue.ranking("band", "no such quantity", f) == []


def test_an_unreadable_capture_takes_no_part_until_it_is_forgiven(catalogue):
    filled(catalogue, 1)
    victim = catalogue.captures()[0]
    catalogue.mark_unreadable(victim.id, "torn")
    assert catalogue.group(1).captures == 27
    assert catalogue.backlog(frozenset({synthetic.METHOD.key})) == [1]
    assert [(f["capture"], f["reason"]) for f in catalogue.failures()] == [(victim.id, "torn")]
    catalogue.forgive()
    assert catalogue.group(1).captures == 28
    assert catalogue.failures() == []


def test_a_failed_write_leaves_nothing_behind(catalogue):
    filled(catalogue, 1)
    before = content(catalogue.path)
    results, _ = synthetic.results_of(catalogue, 1, shift=1.0)
    bad = replace(results[-1], method="never declared")
    with pytest.raises(TypeError):
        catalogue.store([*results, bad])
    assert content(catalogue.path) == before
    catalogue.store(results)
    assert len(catalogue.results()) == 84


def test_readers_see_whole_transactions_and_cannot_write(catalogue):
    filled(catalogue, 1)
    with Catalogue(catalogue.path) as reader:
        assert len(reader.results()) == 84
        with pytest.raises(CatalogueError, match="readonly"):
            reader.mark_run_ended("x")
        results, _ = synthetic.results_of(catalogue, 1, shift=1.0)
        catalogue.store(results)
        assert min(m.figure.value for m in reader.results()) > 1


@pytest.mark.parametrize("damage", ["garbage", "version", "empty database"])
def test_a_catalogue_that_cannot_be_used_is_set_aside_never_deleted(tmp_path, damage):
    path = tmp_path / "catalogue.sqlite"
    if damage == "garbage":
        path.write_bytes(b"not a database at all" * 500)
    else:
        with sqlite3.connect(path) as sql:
            sql.execute("CREATE TABLE meta (key TEXT, value TEXT)")
            if damage == "version":
                sql.execute("INSERT INTO meta VALUES ('version', '999')")
        sql.close()
    before = path.read_bytes()
    with pytest.raises(CatalogueError, match="archive rebuild"):
        Catalogue(path)
    made, why = Catalogue.open_or_renew(path)
    assert why
    made.add_captures(synthetic.headers(3))
    made.close()
    assert (tmp_path / "catalogue.sqlite.aside-1").read_bytes() == before
    again, why = Catalogue.open_or_renew(path)
    assert why == ""
    assert len(again.captures()) == 3
    again.close()


def test_a_missing_catalogue_is_a_message_for_a_reader(tmp_path):
    with pytest.raises(CatalogueError, match="there is no catalogue yet"):
        Catalogue(tmp_path / "none.sqlite")
    assert list(tmp_path.iterdir()) == []
