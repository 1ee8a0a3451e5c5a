"""However files arrive - in a crowd, in folders, twice, in pieces, without an event - each is taken in exactly once."""

from __future__ import annotations

import json
import shutil
import time
from collections import Counter
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest
from greystep.daemon.archive.archive import Archive
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.watch import Watcher
from greystep.daemon.watch.intake import Intake
from greystep.schema.ids import IdSource
from greystep.schema.layout import HEADER_BYTES, HEADER_MAGIC

from ..archive.captures import step_capture

DUT = "invented-viewer-one-a84ef8"


class Copies:
    """Small captures, made from one by giving each header an id and a name of its own."""

    def __init__(self, folder: Path) -> None:
        archive = Archive(folder)
        data = archive.file(archive.write(step_capture(samples=64, repeats=1)).path).read_bytes()
        block, self._image = data[:HEADER_BYTES], data[HEADER_BYTES:]
        self._record = json.loads(block.split(b" ", 3)[3].split(b"\n")[0])
        self._ids = IdSource()

    def make(self, run: str, key: str) -> bytes:
        meta = self._record["meta"] | {"id": self._ids.new(), "run": run, "key": key}
        body = json.dumps(self._record | {"meta": meta}, separators=(",", ":")).encode()
        return (HEADER_MAGIC + sha256(body).hexdigest().encode() + b" " + body + b"\n").ljust(HEADER_BYTES, b"\0") + self._image


@pytest.fixture(scope="module")
def copies(tmp_path_factory: pytest.TempPathFactory) -> Copies:
    return Copies(tmp_path_factory.mktemp("one"))


class Reception:
    """Watcher, intake and catalogue as the service joins them."""

    def __init__(self, root: Path, observer: str) -> None:
        self.raw = root / "raw"
        self.raw.mkdir(parents=True)
        self.archive = Archive(self.raw)
        self.taken: Counter[str] = Counter()
        self.headers = []
        self.intake = Intake(self.archive, root / "quarantine", self._accept)
        self.watcher = Watcher((self.raw,), observer)
        self.watcher.start()
        self.folders_seen = False

    def _accept(self, header) -> None:
        self.taken[header.path] += 1
        self.headers.append(header)

    def work(self, wanted: int, limit_s: float, scan_s: float = 1.0) -> None:
        limit, due = time.monotonic() + limit_s, 0.0
        while len(self.taken) < wanted and time.monotonic() < limit:
            paths, all_over = self.watcher.take()
            for path in paths:
                self.intake.look_at(path)
            if all_over or time.monotonic() >= due:
                self.intake.scan()
                due = time.monotonic() + scan_s
            self.watcher.wake.wait(0.05)
        self.intake.scan()


@pytest.fixture
def reception(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Reception]:
    made = Reception(tmp_path, getattr(request, "param", "native"))
    yield made
    made.watcher.stop()


def fill(folder: Path, copies: Copies, run: str, count: int) -> None:
    folder.mkdir(parents=True)
    for n in range(count):
        (folder / f"k{n:05d}.h5").write_bytes(copies.make(run, f"k{n:05d}"))


SLOWER = [pytest.param(kind, marks=pytest.mark.soak) for kind in ("polling", "none")]


@pytest.mark.parametrize("reception", ["native", *SLOWER], indirect=True)
def test_ten_thousand_captures_at_once_are_each_taken_in_once(reception: Reception, copies: Copies, tmp_path: Path):
    for run in range(5):
        fill(tmp_path / "elsewhere" / f"run{run}", copies, f"run{run}", 2000)
    (reception.raw / DUT).mkdir()
    for run in range(5):  # folders renamed in, whole
        (tmp_path / "elsewhere" / f"run{run}").rename(reception.raw / DUT / f"run{run}")
    reception.work(10_000, 60)
    assert len(reception.taken) == 10_000
    assert set(reception.taken.values()) == {1}
    assert not (tmp_path / "quarantine").exists()
    with Catalogue(tmp_path / "catalogue.sqlite", write=True) as catalogue:
        assert catalogue.add_captures(reception.headers) == 10_000
        assert catalogue.add_captures(reception.headers[:500]) == 0  # told twice
        assert len(catalogue.known_paths()) == 10_000
    listed = [len(reception.archive.listed(reception.raw / DUT / f"run{run}")) for run in range(5)]
    assert listed == [2000] * 5


def test_files_written_one_by_one_in_place_are_each_taken_in_once(reception: Reception, copies: Copies):
    folder = reception.raw / DUT / "run"
    folder.mkdir(parents=True)
    for n in range(300):
        data = copies.make("run", f"k{n:05d}")
        with (folder / f"k{n:05d}.h5").open("wb", buffering=0) as stream:
            stream.write(data[:3000])
            if n % 10 == 0:
                reception.work(1, 0.0)  # looked at while half is there
            stream.write(data[3000:])
    reception.work(300, 20)
    assert len(reception.taken) == 300
    assert set(reception.taken.values()) == {1}


def test_a_duplicate_under_another_name_or_run_is_set_aside_not_measured_twice(
    reception: Reception, copies: Copies, tmp_path: Path, monkeypatch
):
    monkeypatch.setattr("greystep.daemon.watch.intake.PATIENCE_S", 0.0)
    fill(reception.raw / DUT / "run", copies, "run", 3)
    shutil.copy(reception.raw / DUT / "run" / "k00000.h5", reception.raw / DUT / "run" / "k00000 (copy).h5")
    shutil.copytree(reception.raw / DUT / "run", reception.raw / DUT / "run-copy")
    for _ in range(3):
        reception.intake.scan()
        time.sleep(0.01)
    assert sorted(reception.taken) == [f"{DUT}/run/k0000{n}.h5" for n in range(3)]
    reasons = [p.read_text() for p in (tmp_path / "quarantine").rglob("*.reason.txt")]
    assert len(reasons) == 5
    assert all("belongs at" in reason for reason in reasons)


def test_a_scan_of_a_large_archive_leaves_room_for_the_heartbeat(reception: Reception, copies: Copies):
    fill(reception.raw / DUT / "run", copies, "run", 500)
    turns = 0
    while not reception.intake.scan(0.01):
        turns += 1
    assert turns > 3
    assert len(reception.taken) == 500


def test_a_known_archive_is_not_read_again_after_a_restart(reception: Reception, copies: Copies, tmp_path: Path):
    fill(reception.raw / DUT / "run", copies, "run", 50)
    reception.work(50, 10)
    again: list[str] = []
    intake = Intake(reception.archive, tmp_path / "q", lambda h: again.append(h.path), known=set(reception.taken))
    assert intake.scan()
    assert again == []
