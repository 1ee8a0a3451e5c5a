"""The disk fails or is full: the run waits or stops with a clear status, and what was reported archived stays whole."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from greystep.daemon.archive.archive import Archive
from greystep.schema.errors import ArchiveError, NoRoomError

from ..archive.captures import step_capture
from .laboratory import CAPTURES, Laboratory, plan_text

STRACE = shutil.which("strace")
needs_strace = pytest.mark.skipif(STRACE is None, reason="strace is not installed")
CALLS = ("fsync", "write", "link", "unlink", "openat")

WRITER = """
import sys
from pathlib import Path
from greystep.daemon.archive.archive import Archive
from greystep.daemon.run.writing import ArchiveWriter
from tests.archive.captures import step_capture
Archive(Path(sys.argv[1]) / "warm").write(step_capture(key="warm"))   # everything is imported before faults begin
Path(sys.argv[1], "begin").touch()
reported = []
writer = ArchiveWriter(Archive(Path(sys.argv[1]) / "raw"), lambda c, h: print(h.path, h.sha256, flush=True), lambda _: False)
try:
    for n in range(3):
        writer.put(step_capture(key=f"c01-step-000-{n:03d}", samples=200))
    writer.close()
except Exception as exc:
    print("ended:", type(exc).__name__, exc, file=sys.stderr)
    sys.exit(3)
"""


def injected(tmp_path: Path, call: str, error: str, when: str) -> tuple[subprocess.CompletedProcess[str], str]:
    """Run the writer with faults in calls that touch the archive's own files."""
    log = tmp_path / "strace.txt"
    raw = tmp_path / "raw"
    command = [STRACE, "-f", "-o", str(log), "-e", f"trace={call}", "-e", f"inject={call}:error={error}:when={when}"]
    command += [] if call == "write" else ["-P", str(raw)]
    names = ["", "/SHA256SUMS", *(f"/{p}c01-step-000-{n:03d}.h5" for n in range(3) for p in ("", ".part-"))]
    dut = step_capture().meta.dut.id
    for name in names:
        command += ["-P", f"{raw}/{dut}/01tests0000000000000000000{name}"]
    command += ["-P", f"{raw}/{dut}"]
    done = subprocess.run(
        [*command, sys.executable, "-c", WRITER, str(tmp_path)], capture_output=True, text=True, timeout=60, check=False
    )
    return done, log.read_text()


def judge(tmp_path: Path, done: subprocess.CompletedProcess[str]) -> int:
    """What was reported is there, whole; no half file has a final name. Returns how many were reported."""
    from greystep.daemon.archive.fixity import prove

    archive = Archive(tmp_path / "raw")
    reported = dict(line.split() for line in done.stdout.splitlines())
    for path in archive.scan():
        digest = prove(archive.file(path), path)
        assert reported.get(path, digest) == digest
    assert set(reported) <= set(archive.scan())
    assert done.returncode in (0, 3), done.stderr
    if done.returncode == 3:
        assert re.search(r"ended: (ArchiveError|NoRoomError) .*(can't be written|the disk is full)", done.stderr), done.stderr
    else:
        assert len(reported) == 3
    return len(reported)


@needs_strace
@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
@pytest.mark.parametrize("call", CALLS)
def test_a_passing_fault_loses_nothing(tmp_path: Path, call: str, error: str):
    done, log = injected(tmp_path, call, error, "2")
    assert "INJECTED" in log, "the fault never happened"
    judge(tmp_path, done)
    if error == "EIO":
        assert done.returncode == 0, f"a fault that passed ended the writer: {done.stderr}"


@needs_strace
@pytest.mark.parametrize("error", ["EIO", pytest.param("ENOSPC", marks=pytest.mark.soak)])
def test_a_plan_whose_rename_fails_is_taken_with_the_next_look(laboratory: Laboratory, tmp_path: Path, error: str):
    log = tmp_path / "strace.txt"
    laboratory.submit()
    plan = laboratory.home.inbox / ("0" * 26 + "-plan.toml")
    faults = ["-e", "trace=rename", "-P", str(plan), "-e", f"inject=rename:error={error}:when=1"]
    laboratory.start_bare(before=[str(STRACE), "-f", "-o", str(log), *faults])
    assert laboratory.ended() == 0
    assert "INJECTED" in log.read_text()
    assert "trouble while looking into the inbox" in laboratory.told()
    assert laboratory.state() == "finished"
    laboratory.judge_archive()


@needs_strace
@pytest.mark.soak
@pytest.mark.timeout(900)
@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
@pytest.mark.parametrize("call", CALLS)
def test_a_fault_in_any_call_loses_nothing(tmp_path: Path, call: str, error: str):
    for when in [str(n) for n in range(1, 16)] + [f"{n}+" for n in (1, 3, 6)]:
        folder = tmp_path / when
        folder.mkdir()
        done, log = injected(folder, call, error, when)
        reported = judge(folder, done)
        if "INJECTED" not in log:
            assert int(when.rstrip("+")) > 2
            assert reported == 3
            break
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Some megabytes of memory as a file system."""
    place = tmp_path / "small"
    place.mkdir()
    if os.geteuid() != 0 or subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "none", place], check=False).returncode:
        pytest.skip("mounting a small file system needs root")
    yield place
    subprocess.run(["umount", "-l", place], check=True)


def test_a_full_disk_is_told_as_such_and_nothing_half_is_left(small_disk: Path):
    archive = Archive(small_disk / "raw")
    kept = []
    with pytest.raises(NoRoomError, match="the disk is full"):  # noqa: PT012
        for n in range(100):
            kept.append(archive.write(step_capture(key=f"c01-step-000-{n:03d}", samples=20000, seed=n)))  # noqa: PERF401
    assert kept
    assert list(archive.scan()) == [h.path for h in kept]
    assert not list(small_disk.rglob(".part-*"))
    for header in kept:
        assert archive.listed_sha256(header.path) == header.sha256


def test_a_run_waits_for_room_says_how_much_and_goes_on(laboratory: Laboratory, tmp_path: Path, small_disk: Path):
    subprocess.run(["mount", "-o", "remount,size=60m", small_disk], check=True)
    laboratory.home.raw.rmdir()
    laboratory.home.raw.symlink_to(small_disk / "raw")
    (small_disk / "raw").mkdir(mode=0o700)
    filler = small_disk / "filler"
    filler.write_bytes(bytes(20 << 20))
    laboratory.submit()
    laboratory.start_bare(once=False)
    laboratory.wait(lambda: laboratory.status().get("state") == "waiting", "the wait for room")
    assert re.search(r"needs \d+\.\d\d GB, \d+\.\d\d GB free", str(laboratory.status()["reason"])), laboratory.status()
    assert laboratory.level() == 0
    filler.unlink()
    laboratory.wait(lambda: laboratory.state() == "finished", "the end")
    assert laboratory.stop() == 0
    assert len(laboratory.captures()) == CAPTURES


def test_a_disk_that_fills_in_the_middle_of_a_run(laboratory: Laboratory, small_disk: Path):
    subprocess.run(["mount", "-o", "remount,size=60m", small_disk], check=True)
    laboratory.home.raw.rmdir()
    laboratory.home.raw.symlink_to(small_disk / "raw")
    (small_disk / "raw").mkdir(mode=0o700)
    laboratory.submit(plan_text(repeats=10, hold_s=0.3, steady_s=0.3))
    laboratory.start_bare(once=False)
    laboratory.wait(laboratory.captures, "the first capture")
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as stream, pytest.raises(OSError, match="space"):  # noqa: PT012
        while stream.write(bytes(4096)):
            pass
    laboratory.wait(lambda: "full" in str(laboratory.status().get("reason")), "the wait for room")
    status = laboratory.status()
    assert status["state"] == "waiting"
    assert "GB free" in str(status["reason"])
    laboratory.wait(lambda: laboratory.level() == 0, "the dark while it waits", 20)
    reported = set(laboratory.journalled())
    filler.unlink()
    laboratory.wait(lambda: laboratory.state() == "finished", "the end")
    assert laboratory.stop(signal.SIGTERM) == 0
    assert reported <= set(laboratory.journalled())
    assert len(laboratory.captures()) == CAPTURES
    assert not list(small_disk.rglob(".part-*"))


def test_a_write_that_failed_behind_the_rename_is_recognised_and_not_refused(tmp_path: Path, monkeypatch):
    from greystep.daemon.archive import durable

    archive, capture = Archive(tmp_path / "raw"), step_capture()
    archive.run_folder(capture.meta.dut.id, capture.meta.run)
    real, failures = durable.fsync_folder, [OSError(5, "Input/output error")]

    def failing(folder: Path) -> None:
        if failures:
            raise failures.pop()
        real(folder)

    monkeypatch.setattr(durable, "fsync_folder", failing)
    with pytest.raises(ArchiveError, match="check the disk"):
        archive.write(capture)
    header = archive.write(capture)
    assert list(archive.scan()) == [header.path]
    assert not failures
