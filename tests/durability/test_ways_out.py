"""Whatever ends a run or the service, the display is left at level 0, and the service ends in order."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time

import pytest

from .laboratory import CAPTURES, Laboratory, plan_text


def long_plan() -> str:
    return plan_text(repeats=20, hold_s=0.3, steady_s=0.3)


def at_the_bench(lab: Laboratory) -> None:
    """Wait until a capture is archived and the display is driven."""
    lab.wait(lab.captures, "the first capture")
    lab.wait(lambda: lab.level() != 0 or lab.state() == "finished", "a driven level")


def test_normal_end(laboratory: Laboratory):
    laboratory.submit()
    laboratory.start("--once")
    assert laboratory.ended() == 0
    assert (laboratory.state(), laboratory.level()) == ("finished", 0)
    assert len(laboratory.captures()) == CAPTURES
    laboratory.judge_archive()


@pytest.mark.parametrize(("request_", "state"), [("cancel", "cancelled"), ("pause", "paused")])
def test_cancelled_or_paused(laboratory: Laboratory, request_: str, state: str):
    laboratory.submit(long_plan())
    laboratory.start()
    at_the_bench(laboratory)
    laboratory.ask(request_)
    laboratory.wait(lambda: laboratory.state() == state, state)
    laboratory.wait(lambda: laboratory.level() == 0, "the dark", 5)
    assert laboratory.stop() == 0
    laboratory.judge_archive()


def test_terminated_in_the_middle_then_resumed_at_the_next_start(laboratory: Laboratory):
    laboratory.submit(long_plan())
    laboratory.start()
    at_the_bench(laboratory)
    assert laboratory.stop(signal.SIGTERM) == 0
    assert laboratory.level() == 0
    before = set(laboratory.captures())
    assert before
    assert laboratory.state() == "running"
    laboratory.start("--once")
    assert laboratory.ended() == 0
    assert laboratory.state() == "finished"
    assert before <= set(laboratory.captures())
    laboratory.judge_archive()


def test_killed_then_dark_at_the_next_start_though_the_digitiser_is_gone(laboratory: Laboratory):
    laboratory.submit(long_plan())
    laboratory.start()
    at_the_bench(laboratory)
    laboratory.wait(lambda: laboratory.level() != 0, "a driven level")
    laboratory.stop(signal.SIGKILL)
    with socket.create_connection(laboratory.bench.address("pattern"), 5) as link:
        link.sendall(b"SOUR:WATC?\n")
        assert float(link.recv(100)) > 0, "nothing would darken the display by itself"
        link.sendall(b"ABOR;SOUR:LEV 255\n")
        link.sendall(b"SOUR:LEV?\n")
        assert float(link.recv(100)) == 255
    laboratory.bench.fault("digitiser", "refuse", times=1000, seconds=20.0)
    laboratory.start()
    laboratory.wait(lambda: laboratory.level() == 0, "the dark", 15)
    laboratory.stop(signal.SIGKILL)


@pytest.mark.soak
@pytest.mark.timeout(120)
def test_killed_and_never_started_again_the_source_goes_dark_by_itself(laboratory: Laboratory):
    laboratory.submit(long_plan())
    laboratory.start()
    at_the_bench(laboratory)
    laboratory.stop(signal.SIGKILL)
    # Level 0 alone would not do: the list that was playing passes through it.
    laboratory.wait(lambda: laboratory.bench.hello()["watchdog_fired"] > 0, "the source's own time-out", 90)
    laboratory.wait(lambda: laboratory.level() == 0, "level 0, which goes out with the next frame", 10)
    time.sleep(1.0)
    assert laboratory.level() == 0


@pytest.mark.soak
def test_failed(laboratory: Laboratory):
    laboratory.submit(long_plan())
    laboratory.start()
    at_the_bench(laboratory)
    kept = set(laboratory.captures())
    number = laboratory.bench.fault("digitiser", "stuck_trigger", times=1000)
    laboratory.wait(lambda: laboratory.state() == "failed", "the failure", 100)
    assert laboratory.bench.hits(number) > 0
    assert "trigger" in str(laboratory.status()["reason"])
    assert laboratory.level() == 0
    assert laboratory.stop() == 0
    assert kept <= set(laboratory.captures())
    laboratory.judge_archive()


def test_a_second_service_in_one_home_is_refused_in_one_line(laboratory: Laboratory):
    laboratory.start()
    laboratory.wait((laboratory.home.root / "status.json").exists, "the heartbeat")
    command = [sys.executable, "-m", "greystep.daemon", "serve", "--home", str(laboratory.home.root)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1
    assert len(done.stderr.strip().splitlines()) == 1
    assert "works in this home" in done.stderr
    assert laboratory.stop() == 0


def test_hangup_reads_the_methods_again_and_the_service_lives(laboratory: Laboratory):
    laboratory.start()
    laboratory.wait((laboratory.home.root / "status.json").exists, "the heartbeat")
    laboratory.service.send_signal(signal.SIGHUP)
    laboratory.wait(lambda: "methods read again" in laboratory.told(), "the answer")
    assert laboratory.stop(signal.SIGINT) == 0
