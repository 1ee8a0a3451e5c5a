"""Read a doubtful capture in a process of its own: HDF5's decoders may crash or spin on hostile bytes.

The child has limits of memory and time; what it finds comes back as one line of JSON.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any, Final, Literal

from greystep.schema.capture import CaptureMeta
from greystep.schema.errors import ArchiveError
from pydantic import ValidationError

Order = Literal["meta", "samples"]
_TIME_LIMIT_S: Final = 20
_MEMORY_LIMIT_BYTES: Final = 4 << 30


def read_meta(path: Path, relative: str) -> tuple[CaptureMeta, int, int]:
    """Metadata, number of segments and of samples of a file whose header block was cut.

    Raises:
        ArchiveError: the file can't be read.
    """
    told = _ask("meta", path, relative)
    if told is None:
        raise ArchiveError("reading it failed hard", where=relative, todo="restore it from a second copy")
    if told["problem"]:
        raise ArchiveError(told["problem"], where=relative)
    try:
        return CaptureMeta.model_validate(told["meta"]), int(told["segments"]), int(told["samples"])
    except (ValidationError, ValueError) as exc:
        raise ArchiveError("the metadata is not as it should be", where=relative) from exc


def first_trouble(path: Path, relative: str) -> str:
    """Where reading every sample fails first, as far as HDF5 lets us see; empty when all can be read."""
    told = _ask("samples", path, relative)
    if told is None:
        return "reading it failed hard"
    if not told["problem"]:
        return ""
    place = str(told["where"]).removeprefix(relative).strip(", ")
    return f"{place}: {told['problem']}" if place else str(told["problem"])


def _ask(order: Order, path: Path, relative: str) -> dict[str, Any] | None:
    """The child's answer; None when it crashed or took too long."""
    command = [sys.executable, "-m", "greystep.daemon.archive.apart", order, str(path), relative]
    try:
        done = subprocess.run(command, capture_output=True, timeout=2 * _TIME_LIMIT_S, check=False, stdin=subprocess.DEVNULL)
        answer = json.loads(done.stdout) if done.returncode == 0 else None
    except (subprocess.TimeoutExpired, ValueError):
        return None
    return answer if isinstance(answer, dict) else None


def _limit() -> None:
    import resource

    for which, amount in ((resource.RLIMIT_AS, _MEMORY_LIMIT_BYTES), (resource.RLIMIT_CPU, _TIME_LIMIT_S)):
        resource.setrlimit(which, (amount, amount))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _answer(order: str, path: Path, relative: str) -> dict[str, Any]:
    from . import reader

    try:
        if order == "samples":
            reader.read(path, relative)
            return {"problem": "", "where": ""}
        meta, segments, samples = reader.read_meta(path, relative)
        return {"problem": "", "where": "", "meta": meta.model_dump(mode="json"), "segments": segments, "samples": samples}
    except ArchiveError as exc:
        return {"problem": exc.what, "where": exc.where}
    except Exception as exc:
        return {"problem": f"can't be read: {type(exc).__name__}", "where": ""}


if __name__ == "__main__":
    _limit()
    print(json.dumps(_answer(sys.argv[1], Path(sys.argv[2]), sys.argv[3])))
