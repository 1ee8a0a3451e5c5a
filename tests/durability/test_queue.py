"""The queue: the most important plan first, asked to stop it stops, and goes on where it stopped; somebody is told."""

from __future__ import annotations

import json
import signal
import sys
import time

import pytest
from greystep.daemon.run.journal import Journal
from greystep.daemon.run.queue import open_runs, reopen_failed
from greystep.daemon.run.requests import ask

from .laboratory import CAPTURES, Laboratory, plan_text


def test_the_highest_priority_runs_first_then_the_oldest(laboratory: Laboratory):
    laboratory.submit(plan_text("low", extra="priority = -1"), "0" * 25 + "1-plan.toml")
    laboratory.submit(plan_text("first", extra="priority = 5"), "0" * 25 + "2-plan.toml")
    laboratory.submit(plan_text("second", extra="priority = 5"), "0" * 25 + "3-plan.toml")
    laboratory.start_bare()
    assert laboratory.ended() == 0
    begun = {}
    for folder in laboratory.runs():
        status = json.loads((folder / "status.json").read_text())
        begun[status["plan"]] = next(e.utc for e in Journal(folder).entries() if e.event == "started")
    assert sorted(begun, key=begun.__getitem__) == ["first", "second", "low"]
    laboratory.judge_archive()


def test_paused_stays_paused_over_a_restart_until_resumed(laboratory: Laboratory):
    laboratory.submit(plan_text(repeats=8, hold_s=0.3))
    laboratory.start_bare(once=False)
    laboratory.wait(laboratory.captures, "the first capture")
    laboratory.ask("pause")
    laboratory.wait(lambda: laboratory.state() == "paused", "the pause")
    assert laboratory.stop(signal.SIGKILL) == -signal.SIGKILL
    laboratory.start_bare()
    assert laboratory.ended() == 0
    assert laboratory.state() == "paused"
    before = set(laboratory.journalled())
    laboratory.ask("resume")
    laboratory.start_bare()
    assert laboratory.ended() == 0
    assert laboratory.state() == "finished"
    assert before <= set(laboratory.journalled())
    laboratory.judge_archive()


def test_cancelled_before_it_began(laboratory: Laboratory):
    laboratory.submit()
    laboratory.start_bare(once=False, failpoints="run.begin=kill@1")
    laboratory.ended()
    ask(laboratory.runs()[0], "cancel")
    laboratory.start_bare()
    assert laboratory.ended() == 0
    assert laboratory.state() == "cancelled"
    assert laboratory.captures() == []


def test_somebody_is_told_once_and_a_hanging_command_holds_nothing_up(laboratory: Laboratory):
    told = laboratory.home.root / "told.txt"
    script = laboratory.home.root / "tell.py"
    script.write_text(f"import sys, time\nopen({str(told)!r}, 'a').write(' '.join(sys.argv[1:]) + '\\n')\ntime.sleep(600)\n")
    laboratory.submit()
    laboratory.start("--notify", f"{sys.executable} {script}")
    laboratory.wait(told.exists, "the notification")
    laboratory.wait(lambda: told.read_text().endswith("\n"), "the line")
    assert laboratory.stop() == 0
    laboratory.start("--notify", f"{sys.executable} {script}")
    laboratory.wait(lambda: laboratory.told().count("service started") == 2, "the second start")
    time.sleep(2)
    assert laboratory.stop() == 0
    assert told.read_text() == f"{laboratory.runs()[0].name} finished\n"


def test_journals_of_ended_runs_are_not_read_again(laboratory: Laboratory):
    laboratory.submit()
    laboratory.start_bare()
    assert laboratory.ended() == 0
    name = laboratory.runs()[0].name
    assert open_runs(laboratory.home) == []
    (laboratory.runs()[0] / "journal.jsonl").unlink()  # would be open again, if it were looked at
    assert open_runs(laboratory.home, {name}) == []
    assert [q.run for q in open_runs(laboratory.home)] == [name]


FAULTS = [
    ("digitiser", "silence", {"after": 22}),
    ("digitiser", "garbage", {"after": 10}),
    ("digitiser", "half", {"after": 25}),
    ("digitiser", "wrong_length", {}),
    ("digitiser", "disconnect", {"after": 20}),
    ("digitiser", "reboot", {"after": 20, "serial": "VB-D-0001", "firmware": "1.0"}),
    ("digitiser", "stuck_trigger", {}),
    ("digitiser", "swapped", {"after": 15}),
    ("digitiser", "stale", {"after": 20, "delay_s": 12.0}),
    ("digitiser", "error_queue_full", {"after": 15}),
    ("digitiser", "drip", {"after": 12, "every_s": 0.3}),
    ("pattern", "silence", {"after": 12}),
    ("pattern", "disconnect", {"after": 14}),
    ("pattern", "garbage", {"after": 12}),
    ("pattern", "reboot", {"after": 18, "serial": "VB-P-0001", "firmware": "1.0"}),
    ("luminance", "silence", {"after": 3}),
    ("luminance", "garbage", {"after": 3}),
]
QUICK = {("digitiser", "disconnect")}


@pytest.mark.parametrize(
    ("instrument", "kind", "how"),
    [pytest.param(*f, marks=() if f[:2] in QUICK else pytest.mark.soak, id=f"{f[0]}-{f[1]}") for f in FAULTS],
)
def test_a_passing_fault_is_retried_and_the_run_finishes(laboratory: Laboratory, instrument: str, kind: str, how: dict):
    number = laboratory.bench.fault(instrument, kind, **how)
    laboratory.submit()
    laboratory.start_bare()
    assert laboratory.ended(100) == 0
    assert laboratory.bench.hits(number) == 1, "the fault never happened"
    assert laboratory.state() == "finished", laboratory.status()
    assert laboratory.level() == 0
    laboratory.judge_archive()


@pytest.mark.soak
@pytest.mark.parametrize("instrument", ["digitiser", "pattern"])
def test_another_serial_number_after_a_reboot_ends_the_run_in_words(laboratory: Laboratory, instrument: str):
    number = laboratory.bench.fault(instrument, "reboot", after=20)
    laboratory.submit()
    laboratory.start_bare()
    assert laboratory.ended(100) == 0
    assert laboratory.bench.hits(number) == 1
    assert laboratory.state() == "failed"
    assert "VB-X-9999" in str(laboratory.status()["reason"]), laboratory.status()
    laboratory.judge_archive()


@pytest.mark.soak
@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    ("instrument", "kind"),
    [(i, k) for i in ("digitiser", "pattern") for k in ("silence", "garbage", "disconnect", "other_instrument", "refuse")],
)
def test_a_lasting_fault_fails_the_run_with_a_message_and_keeps_the_captures(
    laboratory: Laboratory, instrument: str, kind: str
):
    laboratory.submit(plan_text(repeats=10, hold_s=0.3, steady_s=0.3))
    laboratory.start_bare(once=False)
    laboratory.wait(laboratory.captures, "the first capture")
    kept = set(laboratory.captures())
    number = laboratory.bench.fault(instrument, kind, times=100_000)
    begun = time.monotonic()
    laboratory.wait(lambda: laboratory.state() == "failed", "the failure", 240)
    print(f"{instrument} {kind}: failed after {time.monotonic() - begun:.0f} s: {laboratory.status()['reason']}")
    assert laboratory.bench.hits(number) > 0
    assert instrument in str(laboratory.status()["reason"])
    laboratory.bench.clear_faults()
    assert laboratory.stop() == 0
    assert kept <= set(laboratory.captures())
    laboratory.judge_archive()


def test_a_failed_run_goes_on_where_it_stopped_once_the_bench_is_mended(laboratory: Laboratory):
    laboratory.submit(plan_text(repeats=10, hold_s=0.3, steady_s=0.3))
    laboratory.start_bare(once=False)
    laboratory.wait(laboratory.captures, "the first capture")
    laboratory.bench.fault("digitiser", "refuse", times=100_000)
    laboratory.bench.fault("digitiser", "disconnect", times=1)
    laboratory.wait(lambda: laboratory.state() == "failed", "the failure", 60)
    kept = {p: (laboratory.home.raw / p).read_bytes() for p in laboratory.captures()}
    assert 0 < len(kept) < CAPTURES
    laboratory.bench.clear_faults()
    laboratory.ask("resume")
    laboratory.wait(lambda: laboratory.state() == "finished", "the end", 60)
    assert laboratory.level() == 0
    assert len(laboratory.captures()) == CAPTURES
    assert all((laboratory.home.raw / p).read_bytes() == before for p, before in kept.items())
    assert laboratory.stop() == 0
    events = [e.event for e in Journal(laboratory.runs()[0]).entries()]
    assert events.count("failed") == events.count("reopened") == events.count("finished") == 1
    laboratory.judge_archive()


@pytest.mark.parametrize("ending", ["cancelled", "finished"])
def test_what_was_cancelled_or_finished_is_not_opened_again(laboratory: Laboratory, ending: str):
    folder = laboratory.home.runs / "01kabcdefghjkmnpqrstvwxyz0"
    folder.mkdir()
    (folder / "plan.toml").write_text(plan_text())
    Journal(folder).append(ending)
    ask(folder, "resume")
    assert reopen_failed(laboratory.home) == []
    assert Journal(folder).state() == ending


def test_a_run_waits_while_somebody_else_is_at_the_bench_and_says_who(laboratory: Laboratory):
    laboratory.submit()
    with laboratory.home.lock("bench", "an attended capture"):
        laboratory.start_bare()
        laboratory.wait(lambda: laboratory.status().get("state") == "waiting", "the wait")
        assert "an attended capture (process " in str(laboratory.status()["reason"])
        assert not laboratory.captures()
    assert laboratory.ended() == 0
    assert laboratory.state() == "finished"
    laboratory.judge_archive()
