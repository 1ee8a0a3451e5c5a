"""The archive keeps what it was given, in a file that any HDF5 and NeXus reader opens, and never replaces one."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest
from greystep.daemon.archive import chunks
from greystep.daemon.archive.archive import Archive
from greystep.schema.errors import ArchiveError
from hypothesis import given, settings
from hypothesis import strategies as st
from silx.io import nxdata

from .captures import step_capture


@pytest.fixture
def archived(tmp_path: Path):
    archive = Archive(tmp_path / "raw")
    capture = step_capture()
    return archive, capture, archive.write(capture)


def test_what_was_archived_is_read_back_bit_for_bit(archived):
    archive, capture, header = archived
    back = archive.read(header.path)
    for name, channel in capture.channels.items():
        np.testing.assert_array_equal(back.channels[name].codes, channel.codes)
        assert back.channels[name].codes.dtype == channel.codes.dtype
        assert (back.channels[name].scale, back.channels[name].offset) == (channel.scale, channel.offset)
    assert back.meta == capture.meta
    assert (back.plan_text, back.bench_text, back.dialogue) == (capture.plan_text, capture.bench_text, capture.dialogue)
    assert back.interval_s == pytest.approx(capture.interval_s, rel=1e-12)
    assert back.start_s == capture.start_s
    np.testing.assert_array_equal(back.to_level, capture.to_level)


def test_h5py_without_greystep_reads_the_same_samples(archived):
    archive, capture, header = archived
    with h5py.File(archive.file(header.path)) as file:
        light = file["entry/data/light"]
        np.testing.assert_array_equal(light[()], capture.channels["light"].codes)
        assert light.dims[1][0][()] == pytest.approx(capture.times_s)
        assert (light.compression, light.shuffle, light.fletcher32) == ("gzip", True, True)


def test_the_header_block_tells_what_the_file_tells(archived):
    archive, capture, header = archived
    assert archive.header(header.path) == header
    assert header.meta == capture.meta
    assert (header.from_level, header.to_level, header.segments) == (0, 255, 6)


def test_sha256sum_agrees_with_the_list(archived):
    archive, _, header = archived
    folder = archive.file(header.path).parent
    done = subprocess.run(["sha256sum", "--check", "SHA256SUMS"], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert header.sha256 in (folder / "SHA256SUMS").read_text()


def test_an_archived_file_is_read_only_and_never_replaced(archived):
    archive, capture, header = archived
    path = archive.file(header.path)
    before = path.read_bytes()
    assert path.stat().st_mode & 0o222 == 0
    with pytest.raises(ArchiveError, match="never replaced"):
        archive.write(dataclasses.replace(capture, dialogue=("other",)))
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir() if p.name.startswith(".")] == []


def test_the_same_capture_gives_the_same_bytes(tmp_path: Path):
    capture = step_capture()
    assert Archive(tmp_path / "a").write(capture).sha256 == Archive(tmp_path / "b").write(capture).sha256


def test_nexus_validators_accept_the_file(archived):
    archive, _, header = archived
    path = archive.file(header.path)
    checker = Path(sys.executable).with_name("nxcheck")
    done = subprocess.run([checker, path], capture_output=True, text=True, check=False)
    assert "Total number of errors: 0" in done.stdout, done.stdout
    assert "Total number of warnings: 0" in done.stdout, done.stdout
    with h5py.File(path) as file:
        plot = nxdata.get_default(file)
        assert plot.is_valid
        assert plot.signal.name == "/entry/data/light"


def test_nexus_validators_refuse_broken_copies(archived, tmp_path: Path):
    # Shows that the check above can fail.
    archive, _, header = archived
    copy = tmp_path / "broken.h5"
    copy.write_bytes(archive.file(header.path).read_bytes())
    with h5py.File(copy, "r+") as file:
        del file["entry/data"].attrs["signal"]
    with h5py.File(copy) as file:
        plot = nxdata.get_default(file)
        assert plot is None or not plot.is_valid
    checker = Path(sys.executable).with_name("nxcheck")
    done = subprocess.run([checker, copy], capture_output=True, text=True, check=False)
    assert "Total number of errors: 0" not in done.stdout


def test_a_newer_file_is_refused_in_words(archived):
    archive, _, header = archived
    path = archive.file(header.path)
    data = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(data.replace(b"greystep-capture 1 ", b"greystep-capture 9 ", 1))
    with pytest.raises(ArchiveError, match=r"schema version 9.*update greystep"):
        archive.header(header.path)


@pytest.mark.parametrize("name", ["../x/y.h5", "a/b", "a/../c.h5", "a/./c.h5", "a//c.h5", "/etc/x/passwd", "a/b/.part-c.h5"])
def test_names_that_lead_outside_are_refused(tmp_path: Path, name: str):
    with pytest.raises(ArchiveError):
        Archive(tmp_path).header(name)


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=3000), size=st.sampled_from([1, 2, 4, 8]))
def test_our_filter_chain_is_the_standard_one(data: bytes, size: int):
    # Oracle: HDF5's own filters read what we wrote.
    dtype = np.dtype(f"<u{size}")
    values = np.frombuffer(data[: len(data) // size * size], dtype)
    if not len(values):
        return
    with h5py.File("x", "w", driver="core", backing_store=False) as file:
        made = file.create_dataset(
            "d", shape=values.shape, dtype=dtype, chunks=values.shape, shuffle=True, compression="gzip", fletcher32=True
        )
        made.id.write_direct_chunk((0,), chunks.encode(values))
        np.testing.assert_array_equal(made[()], values)
        _, stored = made.id.read_direct_chunk((0,))
    np.testing.assert_array_equal(chunks.decode(stored, dtype, values.shape), values)


def test_the_checksum_of_a_chunk_longer_than_a_block_of_sums_is_that_of_hdf5():
    # Oracle: HDF5's own filter; extreme words, an odd length and the seam between two blocks.
    values = np.random.default_rng(3).integers(0, 256, 2 * chunks._BLOCK_BYTES + 777, np.uint8)
    values[: chunks._BLOCK_BYTES] = 255
    with h5py.File("x", "w", driver="core", backing_store=False) as file:
        made = file.create_dataset("d", data=values, chunks=values.shape, fletcher32=True)
        _, stored = made.id.read_direct_chunk((0,))
    assert chunks.fletcher32(stored[:-4]) == int.from_bytes(stored[-4:], "little")
