"""archive verify and rebuild: damage is named, and what is disposable comes back."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from greystep.daemon.archive.archive import Archive
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.home import Home

from .bench import greystep


@pytest.fixture
def copy(measured: Home, tmp_path: Path) -> Home:
    """A copy of the measured home that may be damaged."""
    shutil.copytree(measured.root, tmp_path / "copy")
    return Home(tmp_path / "copy")


def captures(home: Home) -> list[Path]:
    """All raw files."""
    return sorted(home.raw.glob("*/*/*.h5"))


def flip(path: Path, at: int) -> None:
    """Turn one bit."""
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(data)


def verdicts(home: Home, *arguments: str) -> tuple[int, list[dict]]:
    """Exit code and rows."""
    done = greystep(home.root, "archive", "verify", *arguments, "--format", "json")
    return done.exit_code, json.loads(done.stdout)


def test_an_undamaged_archive_passes(measured: Home):
    done = greystep(measured.root, "archive", "verify")
    assert done.exit_code == 0, done.output
    assert "12 captures checked, 0 damaged or missing" in done.output


@pytest.mark.parametrize("at", [20, 3000, -5])
def test_one_turned_bit_is_found_wherever_it_is(copy: Home, at: int):
    path = captures(copy)[4]
    flip(path, at if at > 0 else path.stat().st_size + at)
    code, rows = verdicts(copy)
    assert code == 1
    assert [(r["file"], r["verdict"]) for r in rows] == [(str(path.relative_to(copy.raw)), "damaged")]
    assert rows[0]["problem"]


def test_a_missing_file_is_named(copy: Home):
    path = captures(copy)[0]
    path.unlink()
    code, rows = verdicts(copy)
    assert code == 1
    assert [r["file"] for r in rows] == [str(path.relative_to(copy.raw))]
    assert "not there" in rows[0]["problem"]


def test_a_file_that_the_list_does_not_know_proves_itself_and_is_noted(copy: Home):
    sums = next(copy.raw.glob("*/*/SHA256SUMS"))
    sums.chmod(0o644)
    lines = sums.read_text().splitlines(keepends=True)
    sums.write_text("".join(lines[1:]))
    code, rows = verdicts(copy)
    assert code == 3
    assert [r["verdict"] for r in rows] == ["note"]


def test_a_sample_looks_at_that_part_and_still_at_what_is_missing(copy: Home):
    captures(copy)[0].unlink()
    done = greystep(copy.root, "archive", "verify", "--sample", "25")
    assert done.exit_code == 1
    assert "3 captures checked, 1 damaged or missing" in done.output


def test_verify_and_rebuild_change_no_raw_file(copy: Home):
    def state() -> dict[Path, tuple[int, int]]:
        return {p: (os.stat(p).st_mtime_ns, os.stat(p).st_size) for p in copy.raw.rglob("*")}

    before = state()
    assert greystep(copy.root, "archive", "verify").exit_code == 0
    assert greystep(copy.root, "archive", "rebuild").exit_code == 0
    assert state() == before


@pytest.mark.parametrize("damage", ["delete", "garbage", "keep"])
def test_the_catalogue_comes_back_from_the_raw_files_whatever_happened_to_it(copy: Home, damage: str):
    if damage == "delete":
        for path in copy.root.glob("catalogue.sqlite*"):
            path.unlink()
    elif damage == "garbage":
        copy.catalogue.write_bytes(b"not a database" * 100)
    done = greystep(copy.root, "archive", "rebuild")
    assert done.exit_code == 0, done.output
    with Catalogue(copy.catalogue) as catalogue:
        assert catalogue.known_paths() == set(Archive(copy.raw).scan())


def test_a_rebuild_beside_a_running_service_is_refused(copy: Home):
    from .bench import process

    with copy.lock():
        done = process(copy.root, "archive", "rebuild")
    assert done.returncode == 1
    assert "works in this home" in done.stderr
