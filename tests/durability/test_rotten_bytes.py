"""A wrong byte anywhere in a capture is noticed, and the file and the place are named."""

from __future__ import annotations

import random
from pathlib import Path

import h5py
import pytest
from greystep.daemon.archive import sums
from greystep.daemon.archive.archive import Archive
from greystep.daemon.archive.fixity import verify
from greystep.schema.layout import HEADER_BYTES

from ..archive.captures import step_capture

SEED = 20260502


@pytest.fixture(scope="module")
def archived(tmp_path_factory: pytest.TempPathFactory):
    archive = Archive(tmp_path_factory.mktemp("raw"))
    header = archive.write(step_capture(samples=3000))
    path = archive.file(header.path)
    with h5py.File(path) as file:
        light = file["entry/data/light"]
        stored = {row: light.id.read_direct_chunk((row, 0))[1] for row in range(light.shape[0])}
    first = path.read_bytes()
    chunks = {row: (first.index(chunk), len(chunk)) for row, chunk in stored.items()}
    return header, first, chunks


def flipped(tmp_path: Path, data: bytes, at: int, header, listed: bool = True):
    copy = tmp_path / "copy.h5"
    copy.write_bytes(data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :])
    return verify(copy, header.path, header.sha256 if listed else None)


@pytest.mark.parametrize("listed", [True, False])
def test_a_flip_in_any_region_is_found_and_the_file_named(archived, tmp_path: Path, listed: bool):
    header, data, _ = archived
    print(f"seed {SEED}")
    chance = random.Random(SEED)
    line_end = data.index(b"\n")
    places = [0, 20, 90, line_end // 2, line_end, line_end + 1, HEADER_BYTES - 1, HEADER_BYTES]
    places += [len(data) - 1, chance.randrange(HEADER_BYTES, len(data))]
    for at in places:
        verdict = flipped(tmp_path, data, at, header, listed)
        assert not verdict.ok, f"a flip at {at} went unnoticed"
        assert verdict.path == header.path
        assert verdict.problem


def test_a_flip_in_a_segment_names_the_segment(archived, tmp_path: Path):
    header, data, chunks = archived
    for row in (0, 2, 5):
        offset, size = chunks[row]
        verdict = flipped(tmp_path, data, offset + size // 2, header)
        assert f"segment {row}" in verdict.problem, verdict


def test_padding_and_header_are_told_apart(archived, tmp_path: Path):
    header, data, _ = archived
    assert "padding" in flipped(tmp_path, data, HEADER_BYTES - 3, header).problem
    assert "header block" in flipped(tmp_path, data, 200, header).problem


@pytest.mark.parametrize("keep", [0, HEADER_BYTES + 100, -1])
def test_a_cut_file_is_found(archived, tmp_path: Path, keep: int):
    header, data, _ = archived
    copy = tmp_path / "copy.h5"
    copy.write_bytes(data[:keep])
    assert not verify(copy, header.path, header.sha256).ok
    assert not verify(copy, header.path, None).ok


def test_a_replaced_file_that_agrees_with_itself_is_found(archived, tmp_path: Path):
    header, _, _ = archived
    other = Archive(tmp_path / "other")
    made = other.write(step_capture(seed=5))
    verdict = verify(other.file(made.path), header.path, header.sha256)
    assert not verdict.ok
    assert "replaced or list damaged" in verdict.problem


def test_a_torn_list_is_read_as_far_as_it_goes_and_the_file_proves_itself(archived, tmp_path: Path):
    archive = Archive(tmp_path / "raw")
    first = archive.write(step_capture(key="c01-step-000-128"))
    second = archive.write(step_capture(key="c01-step-000-255"))
    folder = archive.file(first.path).parent
    text = (folder / sums.NAME).read_bytes()
    (folder / sums.NAME).write_bytes(text[: len(text) // 2 + 20])
    listed = Archive(archive.root).listed(folder)
    assert listed == {"c01-step-000-128.h5": first.sha256}
    verdict = verify(archive.file(second.path), second.path, listed.get("c01-step-000-255.h5"))
    assert verdict.ok
    assert "proves itself" in verdict.problem
    assert archive.relist(folder, {"c01-step-000-255.h5": second.sha256}) == 1
    assert sums.read(folder)["c01-step-000-255.h5"] == second.sha256
