"""Datasets of an HDF5 file made elsewhere, read where a crash does no harm: in a process of its own, with limits.

HDF5's decoders crash on hostile input, and a file may point to other files (external links, raw storage, virtual datasets).
The child follows hard links only, refuses everything that leads outside the file, and hands plain arrays back as `.npy`.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np
from greystep.schema.layout import MAX_SAMPLES
from numpy.typing import NDArray

_TIME_LIMIT_S: Final = 300
_MEMORY_LIMIT_BYTES: Final = 4 << 30
_ROWS: Final = 1 << 20


@dataclass(frozen=True)
class ForeignDataset:
    """One dataset, or why it can't be read."""

    name: str
    """Path in the file."""
    unit: str = ""
    """Its `units` attribute."""
    values: NDArray[Any] | None = None
    """[sample], mapped from a temporary file."""
    problem: str = ""


@contextmanager
def read_datasets(path: Path, names: Sequence[str]) -> Iterator[list[ForeignDataset]]:
    """One-dimensional numeric datasets of a foreign file; the arrays live as long as the context.

    Never raises for a bad file: what is wrong stands in `problem` of each dataset.
    """
    with TemporaryDirectory(prefix="greystep-foreign-") as folder:
        order = json.dumps({"path": str(path), "names": list(names), "folder": folder})
        try:
            done = subprocess.run(
                [sys.executable, "-m", "greystep.daemon.archive.foreign"],
                input=order,
                capture_output=True,
                text=True,
                timeout=_TIME_LIMIT_S,
                check=False,
            )
            answer = json.loads(done.stdout) if done.returncode == 0 else None
        except subprocess.TimeoutExpired:
            answer, done = None, None
        except json.JSONDecodeError:
            answer = None
        if answer is None:
            reason = f"took longer than {_TIME_LIMIT_S} s to read" if done is None else "damaged: reading it failed hard"
            yield [ForeignDataset(name, problem=reason) for name in names]
            return
        yield [_received(Path(folder), i, name, answer[i]) for i, name in enumerate(names)]


def _received(folder: Path, i: int, name: str, told: dict[str, str]) -> ForeignDataset:
    if told["problem"]:
        return ForeignDataset(name, problem=told["problem"])
    values = np.load(folder / f"{i}.npy", mmap_mode="r", allow_pickle=False)
    return ForeignDataset(name, told["unit"], values)


def _limit() -> None:
    import resource

    # The address space holds the libraries too; what counts is that a claimed size can't take the machine down.
    for which, amount in ((resource.RLIMIT_AS, _MEMORY_LIMIT_BYTES), (resource.RLIMIT_CPU, _TIME_LIMIT_S)):
        resource.setrlimit(which, (amount, amount))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _serve() -> None:
    """The child: read the order from standard input, write arrays, answer on standard output."""
    order = json.load(sys.stdin)
    _limit()
    import h5py

    answer = []
    try:
        with h5py.File(order["path"], "r", locking=False) as file:
            for i, name in enumerate(order["names"]):
                answer.append(_one(file, name, Path(order["folder"]) / f"{i}.npy"))
    except Exception as exc:
        reason = f"not an HDF5 file that can be read: {_short(exc)}"
        answer = [{"problem": reason, "unit": ""} for _ in order["names"]]
    print(json.dumps(answer))


def _one(file: Any, name: str, out: Path) -> dict[str, str]:
    try:
        dataset = _follow(file, name)
        if isinstance(dataset, str):
            return {"problem": dataset, "unit": ""}
        made = np.lib.format.open_memmap(out, "w+", dtype=_plain(dataset.dtype), shape=dataset.shape)
        for start in range(0, dataset.shape[0], _ROWS):
            made[start : start + _ROWS] = dataset[start : start + _ROWS]
        made.flush()
        unit = dataset.attrs.get("units", "")
        return {"problem": "", "unit": unit.decode("utf-8", "replace") if isinstance(unit, bytes) else str(unit)[:40]}
    except Exception as exc:
        return {"problem": f"can't be read: {_short(exc)}", "unit": ""}


def _follow(file: Any, name: str) -> Any:
    """The dataset at a path, or what is wrong with it. Only hard links are followed."""
    import h5py

    node = file
    for part in [p for p in name.split("/") if p]:
        if not isinstance(node, h5py.Group) or part in (".", "..") or part not in node.keys():  # noqa: SIM118 (`in` follows links)
            have = ", ".join(sorted(node.keys())[:12]) if isinstance(node, h5py.Group) else "none"
            return f"no such dataset; at this place stand: {have}"
        if not isinstance(node.get(part, getlink=True), h5py.HardLink):
            return "a link to another place, which is not followed"
        node = node[part]
    if not isinstance(node, h5py.Dataset):
        return "a group, not a dataset"
    if node.is_virtual or node.id.get_create_plist().get_external_count():
        return "keeps its values in another file, which is not followed"
    if node.ndim != 1 or node.dtype.kind not in "iuf":
        return f"{node.ndim} dimensions of type {node.dtype}; one dimension of integers or floats can be read"
    if node.shape[0] > MAX_SAMPLES:
        return f"{node.shape[0]:,} samples, at most {MAX_SAMPLES:,} can be read"
    return node


def _plain(dtype: np.dtype[Any]) -> np.dtype[Any]:
    """The type in the machine's byte order that holds every value: unsigned becomes the next signed, half becomes single."""
    if dtype.kind == "f":
        return np.dtype(np.float32 if dtype.itemsize <= 4 else np.float64)
    if dtype.kind == "u":
        return np.dtype({1: np.int16, 2: np.int32, 4: np.int64}.get(dtype.itemsize, np.float64))
    return np.dtype(dtype.newbyteorder("="))


def _short(exc: Exception) -> str:
    return (str(exc).splitlines() or [type(exc).__name__])[0][:200]


if __name__ == "__main__":
    _serve()
