"""Writing and reading raw captures."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
from greystep.daemon.archive.archive import Archive
from greystep.daemon.run.writing import ArchiveWriter
from greystep.schema.capture import Capture
from greystep.schema.ids import IdSource

from . import plain
from .row import Row, best_s
from .scene import Scene, captures


def rows(scene: Scene, root: Path) -> list[Row]:
    """Write, read, list."""
    ids = IdSource()
    one = [c for c in captures(ids, ids.new(), scene.samples) if c.meta.kind == "step"][:4]
    size_mb = sum(c.channels["light"].codes.nbytes for c in one) / 1e6
    (root / "written").mkdir()
    archive = Archive(root / "written")
    turn = iter(range(10**6))

    def another(c: Capture) -> Capture:
        return replace(c, meta=c.meta.model_copy(update={"id": ids.new(), "key": f"c01-step-{next(turn)}"}))

    def ours() -> None:
        for c in one:
            archive.write(another(c))

    def stream() -> None:
        writer = ArchiveWriter(archive, lambda _capture, _header: None, lambda _reason: False)
        for c in 3 * one:
            writer.put(another(c))
        writer.close()

    def script() -> None:
        for c in one:
            plain.write(c, root / f"script-{next(turn)}.h5")

    def bare() -> None:
        for c in one:
            with (root / f"bare-{next(turn)}").open("wb") as stream:
                stream.write(c.channels["light"].codes)
                stream.flush()
                os.fsync(stream.fileno())

    def alike() -> None:
        for c in one:
            plain.write_checked(c, root / f"alike-{next(turn)}.h5")

    write = Row(
        "archive a capture: compressed, SHA-256, fsync, rename, read-only",
        "MB/s",
        *(size_mb / best_s(job, 3) for job in (ours, script, bare)),
        "uncompressed write + fsync",
        goal="120 MB/s",
        note="the script's gzip has level 4, no fsync, no checksum",
    )
    stream_rate, alike_rate = 3 * size_mb / best_s(stream, 3), size_mb / best_s(alike, 3)
    ratios = (_ratio(root / "written", "*/*/*.h5", size_mb / len(one)), _ratio(root, "alike-*.h5", size_mb / len(one)))
    same = Row(
        "captures one after another by the service's writer (one is packed while another is made durable); "
        "script: h5py's own filters with the same promises (shuffle, gzip 1, chunk checksums, SHA-256, fsync, rename)",
        "MB/s",
        stream_rate,
        alike_rate,
        goal="3 times the script",
        met=stream_rate >= 3 * alike_rate,
        note=f"packs {ratios[0]:.2f}:1 against {ratios[1]:.2f}:1; a third of the processor time is ISA-L with checksums, "
        "a third HDF5's objects, a sixth the three SHA-256",
    )
    path = scene.steps[0].path
    file = scene.archive.file(path)
    read_mb = scene.steps[0].segments * scene.samples * 2 / 1e6
    read = Row(
        "read a capture, chunk checksums included",
        "MB/s",
        read_mb / best_s(lambda: scene.archive.read(path)),
        read_mb / best_s(lambda: _h5py(file)),
        read_mb / best_s(_inflate(file)),
        "inflating its chunks, nothing else",
        goal="80 % of inflating",
        note="inflating alone is 40 % of our time; chunk checksums and putting bytes together are a tenth, the rest opens "
        "HDF5's objects",
    )
    return [replace(write, met=write.ours >= 120), same, replace(read, met=(read.ratio(read.limit) or 0) >= 0.8)]


def _ratio(folder: Path, pattern: str, size_mb: float) -> float:
    """Size of the samples to that of the files, all of which hold as many."""
    sizes = [path.stat().st_size for path in folder.glob(pattern)]
    return size_mb * 1e6 * len(sizes) / sum(sizes)


def _h5py(file: Path) -> np.ndarray:
    with h5py.File(file, "r", locking=False) as opened:
        return opened["entry/data/light"][()]


def _inflate(file: Path):  # type: ignore[no-untyped-def]
    from isal import isal_zlib

    with h5py.File(file, "r", locking=False) as opened:
        data = opened["entry/data/light"]
        width = data.chunks[1]
        stored = [
            data.id.read_direct_chunk((i, j))[1][:-4] for i in range(data.shape[0]) for j in range(0, data.shape[1], width)
        ]
    return lambda: [isal_zlib.decompress(s, bufsize=2 * width) for s in stored]
