"""The service is killed at every durable step and at random moments; started again, the run completes and nothing is lost."""

from __future__ import annotations

import os
import random
import shutil
import signal
import time

import pytest
from greystep.daemon.failpoints import FAILPOINTS

from .laboratory import CAPTURES, Laboratory, plan_text

QUICK = ("archive.after-rename", "catalogue.after-store")
REJECTING = "spool.reject.before-rename"
SEED = int(os.environ.get("GREYSTEP_TEST_SEED", "20260501"))
ROUNDS = int(os.environ.get("GREYSTEP_TEST_KILLS", "150"))


def finish(laboratory: Laboratory) -> None:
    """Start again without failpoints; all that was promised holds."""
    reported = laboratory.journalled() if laboratory.runs() else {}
    laboratory.start_bare()
    assert laboratory.ended() == 0, laboratory.told()
    assert laboratory.level() == 0
    assert len(laboratory.runs()) == 1, "a plan became two runs, or none"
    assert laboratory.state() == "finished", laboratory.status()
    assert len(laboratory.captures()) == CAPTURES
    assert reported.items() <= laboratory.journalled().items()
    laboratory.judge_archive()
    assert len(laboratory.figures()) > 0


def killed_at(laboratory: Laboratory, point: str, count: int) -> None:
    laboratory.submit("name = 'bad'\n" if point == REJECTING else plan_text())
    laboratory.start_bare(failpoints=f"{point}=kill@{count}")
    assert laboratory.ended() == -signal.SIGKILL, f"{point} was not passed {count} times: {laboratory.told()}"


@pytest.mark.parametrize("point", QUICK)
def test_killed_at(laboratory: Laboratory, point: str):
    killed_at(laboratory, point, 2 if point.startswith("archive") else 1)
    finish(laboratory)


@pytest.mark.soak
def test_figures_after_a_kill_are_those_of_an_undisturbed_analysis_bit_for_bit(laboratory: Laboratory):
    killed_at(laboratory, "catalogue.after-store", 1)
    finish(laboratory)
    figures = laboratory.figures()
    laboratory.home.catalogue.unlink()
    shutil.rmtree(laboratory.home.prepared, ignore_errors=True)
    laboratory.start_bare()
    assert laboratory.ended() == 0
    assert laboratory.figures() == figures
    assert any(value is not None for value, _ in figures.values())


def passes() -> list[tuple[str, int]]:
    """Points, and at which of their passes to kill; how often the catalogue is written depends on the batches."""
    once = ("spool", "run.begin", "run.end", "catalogue")
    return [(p, n) for p in FAILPOINTS if p != REJECTING for n in ((1,) if p.startswith(once) else (1, 2, 5))]


@pytest.mark.soak
@pytest.mark.parametrize(("point", "count"), passes())
def test_killed_at_every_durable_step(laboratory: Laboratory, point: str, count: int):
    killed_at(laboratory, point, count)
    finish(laboratory)


def test_killed_while_a_bad_plan_is_set_aside(laboratory: Laboratory):
    killed_at(laboratory, REJECTING, 1)
    laboratory.submit(name="1" * 26 + "-good.toml")
    finish(laboratory)
    assert [p.suffix for p in sorted(laboratory.home.rejected.iterdir())] == [".toml", ".txt"]


@pytest.mark.soak
@pytest.mark.timeout(3000)
def test_killed_at_random_moments(laboratory: Laboratory):
    print(f"seed {SEED}, {ROUNDS} kills")
    chance = random.Random(SEED)
    kills = 0
    number = 0
    while kills < ROUNDS:
        laboratory.submit(name=f"{number:026d}-plan.toml")
        number += 1
        for _ in range(chance.randint(2, 5)):
            laboratory.start_bare(once=False)
            time.sleep(chance.uniform(0.7, 4.0))
            laboratory.stop(signal.SIGKILL)
            kills += 1
        laboratory.start_bare()
        assert laboratory.ended(120) == 0, laboratory.told()
        assert len(laboratory.runs()) == number
        assert laboratory.state(number - 1) == "finished"
        assert len(laboratory.captures()) == CAPTURES * number
        assert laboratory.level() == 0
        laboratory.judge_archive()
    print(f"{kills} kills, {number} runs")
