"""Questions are answered from indexes: none reads a table that grows with the archive from end to end."""

from __future__ import annotations

import re

import pytest
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter

from . import synthetic

GROWING = ("measurement", "result", "capture", "budget", "inputs")
STEP = frozenset({"step"})
ONE = Filter(overdrive=("off",), refresh_rate_hz=(60.0,))


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory):
    with Catalogue(tmp_path_factory.mktemp("scale") / "catalogue.sqlite", write=True) as made:
        made.add_captures(synthetic.headers(12 * len(synthetic.KEYS), displays=3))
        made.set_methods([synthetic.METHOD])
        for group in range(1, 13):
            results, covered = synthetic.results_of(made, group)
            made.store(results, [covered])
        yield made


QUESTIONS = {
    "a display": lambda c: c.columns(Filter(dut=(c.duts()[1]["dut"],))),
    "a run": lambda c: c.results(Filter(run=(c.runs()[0]["run"],))),
    "a ranking": lambda c: c.ranking("band", "transition_duration_mean", ONE),
    "what is out of date": lambda c: c.missing([("band", synthetic.METHOD.fingerprint, STEP), ("new", "0" * 64, STEP)]),
    "the backlog": lambda c: c.backlog(frozenset({"new@0"}), limit=64),
    "a budget": lambda c: c.budget(c.results(Filter(run=(c.runs()[0]["run"],)))[3]),
    "the captures of a group": lambda c: c.group_captures(3),
    "the standing of a group": lambda c: c.standing(3),
    "the records of a result": lambda c: c.records(3, 0, "band", synthetic.METHOD.fingerprint),
    "whether a capture is known": lambda c: c.has_capture(synthetic.ulid(5)),
    "the failures": lambda c: c.failures(),
}


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_reads_no_growing_table_from_end_to_end(catalogue, question):
    asked = []
    sql = catalogue._db.sql
    sql.set_trace_callback(asked.append)
    try:
        QUESTIONS[question](catalogue)
    finally:
        sql.set_trace_callback(None)
    assert asked
    for statement in dict.fromkeys(asked):
        for *_, step in sql.execute(f"EXPLAIN QUERY PLAN {statement}"):
            scanned = re.match(r"SCAN (\w+)(?! USING (COVERING )?INDEX (capture_reason|result_failure))", step)
            assert not scanned or scanned[1] not in GROWING, (statement, step)


def test_storing_and_adding_read_no_growing_table_from_end_to_end(catalogue):
    asked = []
    sql = catalogue._db.sql
    sql.set_trace_callback(asked.append)
    try:
        results, covered = synthetic.results_of(catalogue, 2, shift=0.1)
        asked.clear()
        catalogue.store(results, [covered])
        more = list(synthetic.headers(13 * len(synthetic.KEYS), displays=3))[-3:]
        catalogue.add_captures(more)
    finally:
        sql.set_trace_callback(None)
    seen = {re.sub(r"'[^']*'|\b\d[\d.e+-]*\b", "?", s): s for s in asked if not s.startswith(("BEGIN", "COMMIT", "--"))}
    for statement in seen.values():
        for *_, step in sql.execute(f"EXPLAIN QUERY PLAN {statement}"):
            scanned = re.match(r"SCAN (\w+)", step)
            assert not scanned or scanned[1] not in GROWING, (statement, step)


def test_the_file_grows_in_step_with_the_archive(tmp_path):
    sizes = []
    for groups in (20, 40):
        path = tmp_path / f"{groups}.sqlite"
        with Catalogue(path, write=True) as catalogue:
            catalogue.add_captures(synthetic.headers(groups * len(synthetic.KEYS), displays=3))
            catalogue.set_methods([synthetic.METHOD])
            for group in range(1, groups + 1):
                results, covered = synthetic.results_of(catalogue, group)
                catalogue.store(results, [covered])
        sizes.append(path.stat().st_size)
    assert sizes[1] < 2.05 * sizes[0]
