"""The bench hands captures over; they are archived in order, and trouble with one is told without losing those before it."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest
from greystep.daemon.archive.archive import Archive
from greystep.daemon.run.writing import ArchiveWriter
from greystep.schema.errors import ArchiveError

from tests.archive.captures import step_capture


def capture(number: int):
    return step_capture(key=f"c01-step-000-{number:03d}", samples=200)


def put_all(writer: ArchiveWriter, captures) -> None:
    for each in captures:
        writer.put(each)
    writer.close()


def no_more_threads_than(before: set[threading.Thread]) -> bool:
    end = time.monotonic() + 2
    while time.monotonic() < end:
        if set(threading.enumerate()) <= before:
            return True
        time.sleep(0.01)
    return False


def test_captures_are_archived_in_the_order_in_which_they_were_taken(tmp_path: Path):
    before = set(threading.enumerate())
    told: list[str] = []
    put_all(ArchiveWriter(Archive(tmp_path), lambda c, h: told.append(h.meta.key), lambda _: False), map(capture, range(12)))
    assert told == [f"c01-step-000-{n:03d}" for n in range(12)]
    assert len(list(Archive(tmp_path).scan())) == 12
    assert no_more_threads_than(before)


def test_one_that_cannot_become_a_file_ends_the_writer_behind_those_before_it(tmp_path: Path):
    before = set(threading.enumerate())
    bad = capture(3)
    bad = replace(bad, meta=bad.meta.model_copy(update={"run": "x" * 9000}))
    told: list[str] = []
    writer = ArchiveWriter(Archive(tmp_path), lambda c, h: told.append(h.meta.key), lambda _: False)
    with pytest.raises(ArchiveError, match="too long"):
        put_all(writer, [capture(0), capture(1), capture(2), bad, *map(capture, range(4, 12))])
    with pytest.raises(ArchiveError, match="too long"):
        writer.close()
    assert told == [f"c01-step-000-{n:03d}" for n in range(3)]
    assert no_more_threads_than(before)


def test_one_that_is_there_already_with_other_samples_ends_the_writer(tmp_path: Path):
    before = set(threading.enumerate())
    Archive(tmp_path).write(capture(1))
    other = step_capture(key="c01-step-000-001", samples=300)
    writer = ArchiveWriter(Archive(tmp_path), lambda c, h: None, lambda _: False)
    with pytest.raises(ArchiveError, match="never replaced"):
        put_all(writer, [capture(0), other, *map(capture, range(2, 9))])
    with pytest.raises(ArchiveError, match="never replaced"):
        writer.close()
    assert no_more_threads_than(before)
