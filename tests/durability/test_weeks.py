"""A service that works for weeks: many runs in accelerated time leave memory, file descriptors and threads as they were."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from .laboratory import CAPTURES, Laboratory

RUNS = int(os.environ.get("GREYSTEP_TEST_RUNS", "40"))
WARM = 10
MEMORY_GROWTH_KB = 40_000
"""The allocator's noise over the runs that are compared; a leak of one capture's samples a run would be far more."""


def used(pid: int) -> tuple[int, int, int]:
    """Memory in kB, open files, threads."""
    status = dict(line.split(":\t", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":\t" in line)
    return int(status["VmRSS"].split()[0]), len(os.listdir(f"/proc/{pid}/fd")), int(status["Threads"])


def settled(laboratory: Laboratory, pid: int) -> tuple[int, int, int]:
    """After the run's pages are written."""
    last = laboratory.runs()[-1].name
    laboratory.wait((laboratory.home.reports / "runs" / last).exists, "the pages")
    laboratory.wait(lambda: f"report written  run={last}" in laboratory.told(), "the report's end")
    return used(pid)


@pytest.mark.soak
@pytest.mark.timeout(1500)
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads /proc")
def test_many_runs_leave_memory_files_and_threads_flat(laboratory: Laboratory):
    laboratory.start()
    pid = laboratory.service.pid
    seen = []
    for n in range(RUNS):
        laboratory.submit(name=f"{n:026d}-plan.toml")
        laboratory.wait(lambda n=n: laboratory.state(n) == "finished", f"run {n}")
        seen.append(settled(laboratory, pid))
        print(f"run {n}: memory {seen[-1][0]} kB, files {seen[-1][1]}, threads {seen[-1][2]}")
    assert len(laboratory.captures()) == RUNS * CAPTURES
    warm, end = seen[WARM : WARM + 5], seen[-5:]
    assert max(s[1] for s in end) <= max(s[1] for s in warm) + 2, "open files grow"
    assert max(s[2] for s in end) <= max(s[2] for s in warm) + 1, "threads grow"
    assert min(s[0] for s in end) - min(s[0] for s in warm) < MEMORY_GROWTH_KB, "memory grows"
    assert laboratory.stop() == 0
    laboratory.judge_archive()
