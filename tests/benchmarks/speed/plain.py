"""The plain-script way, as a careful person writes it in an afternoon: h5py with its gzip, attributes, a loop over traces.

Fair: float64 once per trace, numpy's own convolution, no needless copies; no uncertainty, flags, checksums or durability.
"""

from __future__ import annotations

import hashlib
import math
import os
from pathlib import Path

import h5py
import numpy as np
from greystep.schema.capture import Capture

WINDOW = 201
"""Boxcar in samples."""


def write(capture: Capture, path: Path) -> None:
    """One file with 30 attributes and gzip level 4."""
    light = capture.channels["light"]
    with h5py.File(path, "w") as file:
        data = file.create_dataset(
            "light", data=light.codes, chunks=(1, light.codes.shape[1]), compression="gzip", shuffle=True
        )
        data.attrs.update(scale=light.scale, offset=light.offset, start=capture.start_s, interval=capture.interval_s)
        file["from_level"], file["to_level"] = capture.from_level, capture.to_level
        for i in range(26):
            file.attrs[f"note_{i}"] = f"value {i}"


def write_checked(capture: Capture, path: Path) -> None:
    """The same file at gzip level 1 with what our archive promises: chunk checksums, a SHA-256, fsync, a rename."""
    light = capture.channels["light"]
    temporary = path.with_suffix(".part")
    with h5py.File(temporary, "w") as file:
        data = file.create_dataset(
            "light",
            data=light.codes,
            chunks=(1, light.codes.shape[1]),
            compression="gzip",
            compression_opts=1,
            shuffle=True,
            fletcher32=True,
        )
        data.attrs.update(scale=light.scale, offset=light.offset, start=capture.start_s, interval=capture.interval_s)
        file["from_level"], file["to_level"] = capture.from_level, capture.to_level
        for i in range(26):
            file.attrs[f"note_{i}"] = f"value {i}"
    with temporary.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
        os.fsync(stream.fileno())
    temporary.rename(path)
    folder = os.open(path.parent, os.O_RDONLY)
    os.fsync(folder)
    os.close(folder)
    with path.with_name("SHA256SUMS").open("a") as sums:
        sums.write(f"{digest}  {path.name}\n")


def figures(path: Path) -> dict[tuple[int, int], tuple[float, float]]:
    """(from, to) -> mean and standard error of the 10 to 90 % duration in s, from one file."""
    with h5py.File(path, "r") as file:
        codes = file["light"][()]
        attrs = dict(file["light"].attrs)
        pairs = list(zip(file["from_level"][()].tolist(), file["to_level"][()].tolist(), strict=True))
    return summarise(codes, pairs, attrs["scale"], attrs["interval"], attrs["start"])


def summarise(codes, pairs, scale, interval, start):  # type: ignore[no-untyped-def]
    """The loop over the traces."""
    found: dict[tuple[int, int], list[float]] = {}
    for trace, pair in zip(codes, pairs, strict=True):
        found.setdefault(pair, []).append(duration(trace * scale, interval, start))
    return {p: (float(np.mean(d)), float(np.std(d, ddof=1) / math.sqrt(len(d)))) for p, d in found.items()}


def duration(trace, interval, start):  # type: ignore[no-untyped-def]
    """10 to 90 % of one trace after a boxcar."""
    smooth = np.convolve(trace, np.full(WINDOW, 1 / WINDOW), "valid")
    before = int(-start / interval)
    low, high = smooth[: before - WINDOW].mean(), smooth[-len(smooth) // 8 :].mean()
    part = (smooth - low) / (high - low)
    first = int(np.argmax(part > 0.1))
    last = int(np.argmax(part > 0.9))
    a = first - (part[first] - 0.1) / (part[first] - part[first - 1])
    b = last - (part[last] - 0.9) / (part[last] - part[last - 1])
    return (b - a) * interval
