"""plan, submit, status, cancel, pause, resume: from the files of a home alone."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from greystep.daemon.cli.status import duration
from greystep.daemon.home import Home
from greystep.daemon.run.journal import Journal
from greystep.daemon.run.requests import asked
from greystep.daemon.run.spool import Spool
from greystep.schema.ids import IdSource

from .bench import PLAN, greystep, one_line, process

FLASHING = "flash_acknowledged = true\n" + PLAN.replace("hold_s = 0.34\nrepeats = 2", "hold_s = 0.1\nrepeats = 9")


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)
    return path


@pytest.fixture
def run(home: Home, plan: Path) -> str:
    """A plan that a service has accepted and not begun."""
    assert greystep(home.root, "submit", str(plan)).exit_code == 0
    runs, rejected = Spool(home, IdSource()).scan()
    assert not rejected
    return runs[0]


def test_the_template_passes_the_check(home: Home, tmp_path: Path):
    text = greystep(None, "plan", "new").output
    path = tmp_path / "plan.toml"
    path.write_text(text)
    done = greystep(home.root, "plan", "check", str(path))
    assert done.exit_code == 0, done.output
    assert "captures" in done.output
    assert "caution" not in done.output


def test_the_template_passes_with_every_optional_line_switched_on(home: Home, tmp_path: Path):
    lines = greystep(None, "plan", "new").output.splitlines()
    path = tmp_path / "plan.toml"
    path.write_text("\n".join(line[2:] if line.startswith(("# ", "# [")) and "=" in line else line for line in lines))
    optional = [line[2:] if line.startswith("# [") else line for line in path.read_text().splitlines()]
    path.write_text("\n".join(optional))
    done = greystep(home.root, "plan", "check", str(path))
    assert done.exit_code == 0, done.output


def test_new_never_overwrites(tmp_path: Path):
    path = tmp_path / "plan.toml"
    path.write_text("mine")
    done = greystep(None, "plan", "new", "--output", str(path))
    assert done.exit_code == 1
    assert "plan.toml" in one_line(done)
    assert path.read_text() == "mine"


BAD = [
    ("repeats = 2", "repeats = 'two'\ncolour = 1", ["capture.repeats", "capture.colour: unknown key"]),
    ("step = [0, 128, 255]", "step = [0, 128, 256]", ["256"]),
    ("refresh_rate_hz = 60.0", 'refresh_rate_hz = "60 Hz"', ["condition.0.refresh_rate_hz"]),
    ('model = "Petrel 5"', "", ["dut.model: missing"]),
    (PLAN, "", ["empty"]),
    (PLAN, "[dut", ["not valid TOML"]),
    ("hold_s = 0.34\nrepeats = 2", "hold_s = 0.1\nrepeats = 9", ["flash_acknowledged"]),
]


@pytest.mark.parametrize(("old", "new", "words"), BAD)
@pytest.mark.parametrize("command", [("plan", "check"), ("submit",)], ids=" ".join)
def test_bad_plans_are_wrong_use_with_every_problem_at_its_line(
    home: Home, plan: Path, command: tuple[str, ...], old: str, new: str, words: list[str]
):
    plan.write_text(PLAN.replace(old, new))
    done = greystep(home.root, *command, str(plan))
    assert done.exit_code == 2, done.output
    lines = done.stderr.splitlines()
    assert len(lines) >= len(words)
    for word in words:
        assert word in done.stderr
    assert all(line.startswith(str(plan)) for line in lines)
    assert list(home.inbox.glob("*.toml")) == []


@pytest.mark.parametrize("which", ["plan", "bench", "method", "manifest", "capture"])
def test_schemas_describe_every_field(which: str):
    made = json.loads(greystep(None, "plan", "schema", which).output)
    assert made["type"] == "object"
    missing = [name for name, field in made["properties"].items() if not field.get("description") and "$ref" not in field]
    assert not missing


def test_submit_tells_the_flash_caution_and_that_no_service_runs(home: Home, plan: Path):
    plan.write_text(FLASHING)
    done = greystep(home.root, "submit", str(plan))
    assert done.exit_code == 3
    assert "photosensitive seizures" in done.output
    assert "greystep serve" in done.output
    assert len(list(home.inbox.glob("*.toml"))) == 1
    waiting = greystep(home.root, "status").output
    assert "waiting for a service" in waiting


def test_status_of_a_queued_run_has_its_plan_and_an_estimate(home: Home, run: str):
    done = greystep(home.root, "status", "--format", "json")
    assert done.exit_code == 0
    now = json.loads(done.output)
    assert now["service"] == {"state": "never"}
    [row] = now["runs"]
    assert (row["run"], row["plan"], row["state"]) == (run, "first look", "queued")
    assert row["total"] == 20
    assert row["time_left_s"] > 10
    text = greystep(home.root, "status").output
    assert "no service is running" in text
    assert "0/20" in text


def test_status_says_the_caution_of_a_flashing_run_before_it_begins(home: Home, plan: Path):
    plan.write_text(FLASHING)
    greystep(home.root, "submit", str(plan))
    Spool(home, IdSource()).scan()
    assert "caution: 5 flashes within a second" in greystep(home.root, "status").output


def test_status_does_not_write_or_lock(home: Home, run: str):
    def files() -> dict[Path, int]:
        return {p: p.stat().st_mtime_ns for p in home.root.rglob("*")}

    before = files()
    greystep(home.root, "status")
    assert files() == before


@pytest.mark.parametrize(
    ("pid", "utc", "words"),
    [
        (os.getpid(), "2020-01-01T00:00:00.000Z", "silent since 2020"),
        (2**22 + 1, "2020-01-01T00:00:00.000Z", "no service is running"),
        (-1, None, "no service is running"),
        ("x", "x", "no service is running"),
    ],
    ids=["hanging", "gone", "no process", "nonsense"],
)
def test_a_heartbeat_of_a_dead_or_hanging_service_is_not_believed(home: Home, pid: object, utc: object, words: str):
    (home.root / "status.json").write_text(json.dumps({"state": "running", "pid": pid, "utc": utc}))
    assert words in greystep(home.root, "status").output


@pytest.mark.parametrize("text", ["", "[]", "{", "\xff"])
def test_a_torn_status_file_is_no_trouble(home: Home, run: str, text: str):
    (home.root / "status.json").write_text(text, encoding="latin-1")
    (home.runs / run / "status.json").write_text(text, encoding="latin-1")
    done = greystep(home.root, "status")
    assert done.exit_code == 0, done.output
    assert run in done.output


def test_following_ends_when_nothing_is_left_and_tells_of_failure(home: Home, run: str):
    import threading
    import time

    def fail() -> None:
        time.sleep(0.3)
        Journal(home.runs / run).append("failed", reason="the instrument is gone")

    thread = threading.Thread(target=fail)
    thread.start()
    done = greystep(home.root, "status", "--follow")
    thread.join()
    assert done.exit_code == 3
    lines = [line for line in done.output.splitlines() if line.startswith(run)]
    assert [line.split()[1] for line in lines] == ["queued", "failed"]


@pytest.mark.parametrize("request_", ["cancel", "pause", "resume"])
def test_requests_are_left_for_the_service(home: Home, run: str, request_: str):
    done = greystep(home.root, request_, run[:12])
    assert done.exit_code == 0, done.output
    assert asked(home.runs / run, request_)  # type: ignore[arg-type]
    assert f"asked to {request_}" in greystep(home.root, "status").output


def test_a_run_that_is_over_can_not_be_cancelled(home: Home, run: str):
    Journal(home.runs / run).append("finished")
    done = greystep(home.root, "cancel", run)
    assert done.exit_code == 1
    assert "finished already" in one_line(done)
    assert not asked(home.runs / run, "cancel")


@pytest.mark.parametrize("named", ["waits.toml", "waits"])
def test_a_plan_in_the_inbox_is_taken_back_with_a_reason_and_nothing_is_lost(home: Home, named: str):
    (home.inbox / "waits.toml").write_text(PLAN)
    (home.rejected / "waits.toml").write_text("an older one")
    done = greystep(home.root, "cancel", named)
    assert done.exit_code == 0, done.output
    assert list(home.inbox.glob("*.toml")) == []
    kept = sorted(p.read_text() for p in home.rejected.glob("*.toml"))
    assert kept == sorted([PLAN, "an older one"])
    assert "cancelled before it was taken" in next(home.rejected.glob("*.reason.txt")).read_text()


@pytest.mark.parametrize("name", ["../../etc", "nothing", ".", "/"])
def test_names_that_are_no_run_are_told_in_one_line(home: Home, run: str, name: str):
    done = greystep(home.root, "cancel", name)
    assert done.exit_code == 1
    assert "greystep status" in one_line(done)


def test_interrupting_ends_with_130(home: Home, run: str):
    import signal
    import subprocess
    import sys
    import time
    from functools import partial

    command = [sys.executable, "-m", "greystep.daemon", "--home", str(home.root), "status", "--follow"]
    # A shell's background job ignores the interrupt, and what it starts does so too: here it must be as on a terminal.
    at_a_terminal = partial(signal.signal, signal.SIGINT, signal.SIG_DFL)
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen(command, **pipes, text=True, preexec_fn=at_a_terminal) as process_:  # noqa: PLW1509 - no threads here
        assert process_.stdout is not None
        assert process_.stderr is not None
        assert process_.stdout.readline()
        time.sleep(0.2)
        process_.send_signal(signal.SIGINT)
        assert process_.wait(20) == 130
        assert "Traceback" not in process_.stderr.read()


def test_durations_are_told_in_words():
    assert [duration(s) for s in (None, 0.4, 59, 61, 3725)] == ["", "0 s", "59 s", "1 min 1 s", "1 h 2 min"]


def test_a_second_service_on_a_home_is_refused_in_one_line(home: Home):
    with home.lock():
        done = process(home.root, "serve", "--once", "--quiet")
    assert done.returncode == 1
    assert len(done.stderr.strip().splitlines()) == 1


def test_waiting_without_a_service_is_refused_before_anything_is_placed(home: Home, plan: Path):
    done = greystep(home.root, "submit", "--wait", str(plan))
    assert done.exit_code == 1
    assert "greystep serve" in one_line(done)
    assert list(home.inbox.glob("*.toml")) == []


@pytest.mark.parametrize(
    ("event", "flagged", "code"), [("finished", 0, 0), ("finished", 2, 3), ("failed", 0, 1), ("cancelled", 0, 1)]
)
def test_waiting_ends_with_the_run_and_its_exit_code(home: Home, plan: Path, event: str, flagged: int, code: int):
    import threading
    import time

    beat = {"state": "running", "pid": os.getpid(), "utc": "2099-01-01T00:00:00Z"}
    (home.root / "status.json").write_text(json.dumps(beat))

    def serve() -> None:
        """What a service does, as far as files tell."""
        spool = Spool(home, IdSource())
        runs: list[str] = []
        limit = time.monotonic() + 20
        while not runs and time.monotonic() < limit:
            runs, _ = spool.scan()
            time.sleep(0.05)
        (home.runs / runs[0] / "status.json").write_text(json.dumps({"done": 20, "flagged": flagged}))
        Journal(home.runs / runs[0]).append(event)

    thread = threading.Thread(target=serve)
    thread.start()
    done = greystep(home.root, "submit", "--wait", str(plan))
    thread.join()
    assert done.exit_code == code, done.output
    assert event in done.output


def test_the_time_left_of_the_whole_queue_is_told(home: Home, plan: Path, run: str):
    greystep(home.root, "submit", str(plan))
    Spool(home, IdSource()).scan()
    now = json.loads(greystep(home.root, "status", "--format", "json").output)
    assert now["queue_left_s"] == pytest.approx(sum(r["time_left_s"] for r in now["runs"]))
    assert "2 runs in the queue" in greystep(home.root, "status").output


HOSTILE = "\x1b[2J\x1b]0;owned\x07\u202egnp.exe"


def test_names_from_elsewhere_cannot_steer_the_terminal(home: Home):
    (home.inbox / f"a{HOSTILE}.toml").write_text(PLAN)
    (home.inbox / os.fsdecode(b"bytes\xff\xfe.toml")).write_text(PLAN)
    done = process(home.root, "status")
    assert (done.returncode, done.stderr) == (0, "")
    assert not set("\x1b\x07\u202e") & set(done.stdout)
    assert len(json.loads(process(home.root, "status", "--format", "json").stdout)["inbox"]) == 2
    refused = process(home.root, "plan", "check", f"b{HOSTILE}.toml")
    assert refused.returncode == 2
    assert not set("\x1b\x07\u202e") & set(refused.stderr)


def test_a_plan_name_with_escape_codes_is_shown_harmless(home: Home, plan: Path):
    plan.write_text(PLAN.replace('"first look"', json.dumps("look " + HOSTILE)))
    assert not set("\x1b\x07\u202e") & set(greystep(home.root, "submit", str(plan)).output)
    Spool(home, IdSource()).scan()
    assert not set("\x1b\x07\u202e") & set(greystep(home.root, "status").output)


def test_a_terminal_without_the_signs_gets_question_marks(home: Home):
    done = process(home.root, "methods", "show", "band-first-entry", PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0, done.stderr
