"""Every problem of a user's file is told at once, each with its line."""

from __future__ import annotations

import time

import pytest
from greystep.schema.errors import InputError, PlanError
from greystep.schema.plan import Plan
from greystep.schema.toml_source import TomlSource
from hypothesis import given, settings
from hypothesis import strategies as st

GOOD = """name = "a plan"
flash_acknowledged = true

[dut]
model = "Viewer One"

[[condition]]
refresh_rate_hz = 60.0

[[condition]]
refresh_rate_hz = 120.0
overdrive = "strong"

[capture]
repeats = 3
"""


def problems(text: str) -> list[tuple[int | None, str, str]]:
    with pytest.raises(PlanError) as caught:
        TomlSource.parse(text, "plan.toml", PlanError).validate(Plan, PlanError)
    return [(p.line, p.path, p.message) for p in caught.value.problems]


def test_a_good_plan_has_no_problems():
    plan = TomlSource.parse(GOOD, "plan.toml").validate(Plan)
    assert [c.refresh_rate_hz for c in plan.condition] == [60.0, 120.0]
    assert len(plan.levels.step_pairs()) == 10


@pytest.mark.parametrize(
    ("old", "new", "line", "path"),
    [
        ('model = "Viewer One"', 'colour = "red"\nmodel = "x"', 5, "dut.colour"),
        ('model = "Viewer One"', "", 4, "dut.model"),
        ("refresh_rate_hz = 120.0", 'refresh_rate_hz = "fast"', 11, "condition.1.refresh_rate_hz"),
        ("refresh_rate_hz = 120.0", "refresh_rate_hz = -1", 11, "condition.1.refresh_rate_hz"),
        ("repeats = 3", "repeats = 3.5", 15, "capture.repeats"),
        ("repeats = 3", "hold_s = nan", 15, "capture.hold_s"),
        ("repeats = 3", "[levels]\nstep = [0, 300]", 15, "levels"),
        ("repeats = 3", "hold_ms = 200", 15, "capture.hold_ms"),
    ],
)
def test_each_problem_stands_at_its_line(old: str, new: str, line: int, path: str):
    assert [(found_line, found_path) for found_line, found_path, _ in problems(GOOD.replace(old, new))] == [(line, path)]


def test_all_problems_are_told_together():
    text = GOOD.replace("repeats = 3", "repeats = 0\nhold_ms = 1").replace("60.0", '"x"')
    assert {path for _, path, _ in problems(text)} == {"capture.repeats", "capture.hold_ms", "condition.0.refresh_rate_hz"}


def test_an_empty_file_and_broken_toml_are_told_with_their_place():
    assert problems("  \n")[0][2] == "the file is empty"
    assert problems("name = 'x'\n[dut\n")[0][0] == 2


def test_deep_and_huge_toml_is_refused_quickly():
    began = time.process_time()
    for text in ("a = " + "[" * 10_000, "a" + ".a" * 20_000 + " = 1", "x = 1\n" * 20_000):
        with pytest.raises(InputError):
            TomlSource.parse(text, "plan.toml")
    assert time.process_time() - began < 1.0


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=400))
def test_any_text_gives_a_plan_or_a_plan_error(text: str):
    try:
        TomlSource.parse(text, "plan.toml", PlanError).validate(Plan, PlanError)
    except PlanError as error:
        told = error.problems
    else:
        return
    assert told
