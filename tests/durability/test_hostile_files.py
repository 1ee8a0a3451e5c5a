"""Whatever lies in the inbox or the archive: a clear refusal, bounded time and memory, and the service lives."""

from __future__ import annotations

import ast
import json
import os
import random
import subprocess
import sys
import time
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

import h5py
import numpy as np
import pytest
from greystep.daemon.archive import apart
from greystep.daemon.archive.archive import Archive
from greystep.daemon.home import Home
from greystep.daemon.run.journal import Journal
from greystep.daemon.run.spool import Spool
from greystep.daemon.watch.intake import PATIENCE_S, Intake
from greystep.schema.dut import DUT
from greystep.schema.errors import ArchiveError, PlanError
from greystep.schema.ids import IdSource
from greystep.schema.layout import HEADER_BYTES, HEADER_MAGIC
from greystep.schema.toml_source import TomlSource

from ..archive.captures import step_capture
from .laboratory import plan_text

SEED = 20260503


class Clock:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(tmp_path / "home").create()


def scanned(home: Home) -> tuple[list[str], list[str]]:
    """Scan twice, with a pause in which nothing changes."""
    clock = Clock()
    spool = Spool(home, IdSource(), clock=clock)
    first = spool.scan()
    clock.now_s += 5
    second = spool.scan()
    assert spool.trouble == ""
    return first[0] + second[0], first[1] + second[1]


def make_link(path: Path) -> None:
    path.symlink_to("/etc/hostname")


def make_folder(path: Path) -> None:
    path.mkdir()
    (path / "plan.toml").write_text(plan_text())


def make_device(path: Path) -> None:
    try:
        os.mknod(path, 0o020666, os.makedev(1, 5))  # reads as endless zeros
    except PermissionError:
        pytest.skip("devices are made by root")


def make_huge(path: Path) -> None:
    with path.open("wb") as stream:
        stream.truncate(1 << 40)


@pytest.mark.timeout(20)
@pytest.mark.parametrize(
    ("make", "word"),
    [
        (make_link, "a link"),
        (os.mkfifo, "not a regular file"),
        (make_folder, "not a regular file"),
        (make_device, "not a regular file"),
        (make_huge, "larger than 64 KiB"),
        (lambda p: p.write_bytes(b"\xff\xfe\x00name"), "not UTF-8"),
        (lambda p: p.write_bytes(b""), "empty"),
        (lambda p: p.write_text("\0" * 100), "not valid TOML"),
    ],
)
def test_what_is_no_plan_is_set_aside_unread_with_its_reason(home: Home, make, word: str):
    make(home.inbox / "strange.toml")
    runs, rejected = scanned(home)
    assert (runs, rejected) == ([], ["strange.toml"])
    assert word in (home.rejected / "strange.toml.reason.txt").read_text()
    assert os.path.lexists(home.rejected / "strange.toml")


NAMES = [
    "a" * 250 + ".toml",
    "-rf.toml",
    "..toml",
    "a b\nc.toml",
    "\u202etxt.toml",
    "<b>x<b>.toml",
    "con.toml",
    b"\xff\xfe.toml",
]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("good", [True, False])
def test_a_file_of_any_name_is_accepted_or_set_aside(home: Home, name: str | bytes, good: bool):
    path = os.path.join(os.fsencode(home.inbox), os.fsencode(name))
    with open(path, "w") as stream:
        stream.write(plan_text() if good else "x = 1")
    if os.fsencode(name).startswith(b"."):
        pytest.skip("hidden names are left alone")
    runs, rejected = scanned(home)
    assert (len(runs), len(rejected)) == ((1, 0) if good else (0, 1))
    if good:
        assert Journal(home.runs / runs[0]).state() == "queued"
        assert len(Journal(home.runs / runs[0]).entries()) == 1
    else:
        assert len(list(home.rejected.glob("*.reason.txt"))) == 1
    assert not os.listdir(home.inbox) or os.listdir(home.inbox) == ["rejected"]


@pytest.mark.parametrize(
    "text", ["../../x", "a\\b", "\u202egnp.exe", "<script>alert(1)</script>", "CON", "x" * 10_000, "  ", "é漢"]
)
def test_a_display_of_any_name_stays_inside_the_archive(tmp_path: Path, text: str):
    try:
        dut = DUT(maker=text, model=text or "x")
    except ValueError:
        return  # refused with its reason; fine
    assert len(dut.id) < 120
    assert "/" not in dut.id
    assert "." not in dut.id
    folder = Archive(tmp_path / "raw").run_folder(dut.id, "run")
    assert (tmp_path / "raw") in folder.resolve().parents


def test_a_plan_still_on_its_way_is_not_taken_though_its_half_is_a_plan(home: Home):
    clock = Clock()
    spool = Spool(home, IdSource(), clock=clock)
    path = home.inbox / "slow.toml"
    whole = plan_text(extra="") + "\n[power]\nreadings = 4\n"
    for end in (len(whole) - 22, len(whole) - 5, len(whole)):
        path.write_text(whole[:end])
        os.utime(path, (1, 1))  # a sync tool may set an old time
        assert spool.scan() == ([], [])
        clock.now_s += 0.3
    clock.now_s += 0.6
    runs, _ = spool.scan()
    assert (home.runs / runs[0] / "plan.toml").read_text() == whole


DEEP = {
    "one key of 20,000 parts": "a." * 20_000 + "a = 1",
    "quoted parts": '"a".' * 15_000 + "a = 1",
    "many long keys": "\n".join("a." * 200 + f"k{i} = 1" for i in range(150)),
    "keys under a long header": "[" + ".".join("a" * 1 for _ in range(350)) + "]\n" + "\n".join(f"k{i}=1" for i in range(7000)),
    "brackets": "x = " + "[" * 30_000 + "]" * 30_000,
    "inline tables": "x = " + "{a = " * 10_000 + "1" + "}" * 10_000,
    "a number of 60,000 digits": "x = " + "9" * 60_000,
    "spaces behind a bracket": "x = [\n[" + " " * 60_000 + "\n1]]",
    "many headers": "\n".join(f"[a.b.c.d{i}]" for i in range(4000)),
    "many array tables": "[[a]]\n" * 10_000,
}

PARSE = """
import json, re, sys, time
from pathlib import Path
from greystep.schema.errors import PlanError
from greystep.schema.plan import Plan
from greystep.schema.toml_source import TomlSource
out = {}
for name, text in json.load(sys.stdin).items():
    start = time.process_time()
    try:
        TomlSource.parse(text, "plan.toml", PlanError).validate(Plan, PlanError)
        word = "accepted"
    except PlanError as exc:
        word = str(exc)[:200]
    # Not ru_maxrss: it counts what the process that started this one held.
    kilobytes = int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
    out[name] = (word, time.process_time() - start, kilobytes)
print(json.dumps(out))
"""


def test_deep_and_hostile_toml_costs_little_time_and_memory():
    done = subprocess.run(
        [sys.executable, "-c", PARSE], input=json.dumps(DEEP), capture_output=True, text=True, timeout=60, check=True
    )
    for name, (word, seconds, kilobytes) in json.loads(done.stdout).items():
        assert word != "accepted", name
        assert "plan.toml" in word, (name, word)
        assert seconds < 1.0, f"{name} took {seconds:.1f} s"
        assert kilobytes < 300_000, f"{name} took {kilobytes} kB"


def test_random_text_never_raises_anything_but_a_plan_error():
    print(f"seed {SEED}")
    chance = random.Random(SEED)
    good = plan_text()
    for _ in range(1500):
        text = list(good)
        for _ in range(chance.randint(1, 6)):
            text[chance.randrange(len(text))] = chance.choice("\0\n\"'[]{}=.#,-19eE_\\\u202e\U0001f600x")
        with suppress(PlanError):
            TomlSource.parse("".join(text), "plan.toml", PlanError)


# The archive


class Desk:
    """An intake with a clock, and what it accepted."""

    def __init__(self, root: Path) -> None:
        self.archive = Archive(root / "raw")
        self.archive.root.mkdir(parents=True)
        self.quarantine = root / "quarantine"
        self.clock = Clock()
        self.accepted: list[str] = []
        self.logged: list[str] = []
        self.intake = Intake(
            self.archive,
            self.quarantine,
            lambda h: self.accepted.append(h.path),
            lambda event, **_: self.logged.append(event),
            clock=self.clock,
        )

    def settle(self) -> None:
        for _ in range(3):
            self.intake.scan()
            self.clock.now_s += PATIENCE_S + 1

    def reasons(self) -> list[str]:
        return [p.read_text() for p in sorted(self.quarantine.rglob("*.reason.txt"))]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def put(desk: Desk, data: bytes, name: str = "c01-step-000-255.h5", run: str = "01tests0000000000000000000") -> Path:
    folder = desk.archive.root / "invented-viewer-one-a84ef8" / run
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(data)
    return folder / name


def forged(record: object) -> bytes:
    """A header block whose checksum is right, whatever it says."""
    body = json.dumps(record).encode() if not isinstance(record, bytes) else record
    line = HEADER_MAGIC + sha256(body).hexdigest().encode() + b" " + body + b"\n"
    return line.ljust(HEADER_BYTES, b"\0")


def good_file(tmp_path: Path) -> bytes:
    archive = Archive(tmp_path / "made")
    return archive.file(archive.write(step_capture(samples=300)).path).read_bytes()


GOOD = {"segments": 1, "samples": 1, "from_level": 0, "to_level": 1, "image_sha256": sha256(b"").hexdigest(), "meta": {}}


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"greystep-capture",
        forged([]),
        forged(GOOD | {"segments": 10**30}),
        forged(GOOD | {"segments": True}),
        forged(GOOD | {"samples": -1}),
        forged(GOOD | {"meta": None}),
        forged(GOOD | {"image_sha256": "zz"}),
        forged(b"[" * 3000),
        forged(b"\xff\xff"),
        forged(GOOD),
        forged(GOOD | {"cut": True}),
        forged(GOOD | {"cut": True}) + b"\x89HDF\r\n\x1a\n" + b"\xff" * 5000,
    ],
)
def test_a_forged_header_is_set_aside_and_the_intake_lives(desk: Desk, tmp_path: Path, data: bytes):
    put(desk, data)
    put(desk, good_file(tmp_path), run="01tests0000000000000000000x")
    desk.settle()
    assert desk.accepted == []
    assert len(desk.reasons()) == 2
    assert any("belongs at" in r for r in desk.reasons())


def test_links_fifos_and_strange_names_in_the_archive_are_survived(desk: Desk, tmp_path: Path):
    good = put(desk, good_file(tmp_path))
    (good.parent / "c01-link.h5").symlink_to("/etc/passwd")
    os.mkfifo(good.parent / "c01-fifo.h5")
    (good.parent / "c01-folder.h5").mkdir()
    (desk.archive.root / "loop").symlink_to(desk.archive.root)
    with open(os.path.join(os.fsencode(good.parent), b"\xff\xfe.h5"), "wb") as stream:
        stream.write(b"x")
    (good.parent / ("y" * 250 + ".h5")).write_bytes(b"x")
    other = put(desk, b"x", run="other").parent
    os.mkfifo(other / "SHA256SUMS")
    desk.settle()
    assert desk.accepted == ["invented-viewer-one-a84ef8/01tests0000000000000000000/c01-step-000-255.h5"]
    assert len(desk.reasons()) == 3


def test_a_sparse_file_of_a_terabyte_costs_no_memory(desk: Desk):
    path = put(desk, forged(GOOD | {"image_sha256": "0" * 64})[:200])
    with path.open("r+b") as stream:
        stream.truncate(1 << 40)
    start = time.monotonic()
    desk.settle()
    assert time.monotonic() - start < 5
    assert len(desk.reasons()) == 1


def test_a_file_that_is_still_being_written_is_waited_for(desk: Desk, tmp_path: Path):
    data = good_file(tmp_path)
    for end in range(0, len(data), len(data) // 5):
        path = put(desk, data[:end])
        os.utime(path, (1, 1))
        desk.intake.scan()
        desk.clock.now_s += PATIENCE_S - 1
    put(desk, data)
    desk.intake.scan()
    assert len(desk.accepted) == 1
    assert not desk.quarantine.exists()


def external_link(file: h5py.File, secret: Path) -> None:
    del file["entry/data/light"]
    file["entry/data/light"] = h5py.ExternalLink(str(secret), "/x")


def soft_link(file: h5py.File, secret: Path) -> None:
    del file["entry/data/light"]
    file["entry/data/light"] = h5py.SoftLink("/entry/data/sync")


def external_storage(file: h5py.File, secret: Path) -> None:
    del file["entry/data/light"]
    file.create_dataset("entry/data/light", (6, 300), "i2", external=[(str(secret), 0, 3600)])


def virtual(file: h5py.File, secret: Path) -> None:
    del file["entry/data/light"]
    layout = h5py.VirtualLayout((6, 300), "i2")
    layout[:] = h5py.VirtualSource(str(secret), "x", (6, 300))
    file.create_virtual_dataset("entry/data/light", layout)


def bomb(file: h5py.File, secret: Path) -> None:
    del file["entry/data/light"]
    file.create_dataset("entry/data/light", (90_000, 22_000), "i2", chunks=(100, 22_000), compression="gzip", fillvalue=0)


@pytest.mark.parametrize("change", [external_link, soft_link, external_storage, virtual, bomb])
def test_a_capture_that_reaches_outside_or_claims_too_much_is_refused(tmp_path: Path, change):
    secret = tmp_path / "secret.h5"
    with h5py.File(secret, "w") as file:
        file["x"] = np.ones((6, 300), "i2")
    path = tmp_path / "bad.h5"
    path.write_bytes(good_file(tmp_path))
    with h5py.File(path, "r+") as file:
        change(file, secret)
    trouble = apart.first_trouble(path, "bad.h5")
    assert any(word in trouble for word in ("link", "not stored in the file", "claims the shape", "can't be read")), trouble


MUTATIONS = """
import os, random, resource, sys
from collections import Counter
from pathlib import Path
from greystep.daemon.archive import reader
from greystep.schema.errors import ArchiveError
data, chance, path = Path(sys.argv[1]).read_bytes(), random.Random(int(sys.argv[2])), Path(sys.argv[3])
ends = Counter()
for n in range(int(sys.argv[4])):
    made = bytearray(data)
    for _ in range(chance.randint(1, 8)):
        made[chance.randrange(4096, len(made))] = chance.randrange(256)
    path.write_bytes(made)
    child = os.fork()
    if not child:
        resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))
        resource.setrlimit(resource.RLIMIT_CPU, (1, 1))
        try:
            reader.read(path)
        except (ArchiveError, MemoryError):
            os._exit(1)
        except BaseException:
            os._exit(2)
        os._exit(0)
    ends[os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])] += 1
print(dict(ends))
"""


def test_flipped_bytes_end_in_an_archive_error_or_in_the_child_alone(tmp_path: Path):
    print(f"seed {SEED}")
    source = tmp_path / "good.h5"
    source.write_bytes(good_file(tmp_path))
    command = [sys.executable, "-c", MUTATIONS, str(source), str(SEED), str(tmp_path / "bad.h5"), "300"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=100, check=True)
    ends = ast.literal_eval(done.stdout)
    # A decoder that crashes or spins is what the child is for; another exception would be a bug of the reader.
    assert sum(ends.values()) == 300
    assert ends.get(1, 0) > 30, ends
    assert ends.get(2, 0) == 0, ends


def test_a_decoder_that_spins_or_crashes_is_an_error_in_words(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(apart, "_TIME_LIMIT_S", 0)
    (tmp_path / "any.h5").write_bytes(good_file(tmp_path))
    with pytest.raises(ArchiveError, match="failed hard"):
        apart.read_meta(tmp_path / "any.h5", "any.h5")


def test_the_home_is_for_its_owner_alone(home: Home):
    assert {p.stat().st_mode & 0o077 for p in (home.root, *home.root.rglob("*"))} == {0}
