"""The virtual bench as a process of its own, and its side door for mounting displays. Spoken to as any client would."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from greystep.schema.errors import GreystepError


class BenchProcess:
    """Starts the virtual bench; a context manager. It ends with this process, whatever happens."""

    def __init__(self, panel: str, bench_file: Path, bench_name: str, seed: int = 1, speed: str = "max") -> None:
        self._command = [sys.executable, "-m", "greystep.sim_instruments", "--until-stdin-closes"]
        self._command += ["--panel", panel, "--speed", speed, "--seed", str(seed)]
        self._command += ["--bench-file", str(bench_file), "--bench-name", bench_name]
        self._process: subprocess.Popen[bytes] | None = None
        self._side_door: socket.socket | None = None

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise GreystepError(
                "the virtual bench did not start", todo="'python -m greystep.sim_instruments --help' tells more"
            )
        told = json.loads(line)
        self._side_door = socket.create_connection((told["side_door"]["host"], told["side_door"]["port"]), 30)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._side_door is not None:
            self._side_door.close()
        if self._process is not None:
            for pipe in (self._process.stdin, self._process.stdout):
                if pipe is not None:
                    pipe.close()
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()

    def ask(self, op: str, **arguments: Any) -> dict[str, Any]:
        """An order through the side door."""
        assert self._side_door is not None
        self._side_door.sendall(json.dumps({"op": op, **arguments}).encode() + b"\n")
        with self._side_door.makefile("rb") as lines:
            answer: dict[str, Any] = json.loads(lines.readline())
        if not answer.pop("ok", False):
            raise GreystepError(f"the virtual bench refused {op}: {answer.get('error')}")
        return answer
