"""A virtual bench for tests: started as a real process, with its side door at hand.

with VirtualBench(panel="vireth-10x", speed="max") as bench:
    resource = bench.resources["digitiser"]
    ...
    figures = bench.truth()["segments"]
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import socket
import subprocess
import sys
from types import TracebackType
from typing import Any, Self

START_TIMEOUT_S = 20.0


class SideDoorClient:
    """Talks to the side door: one order, one answer."""

    def __init__(self, host: str, port: int, timeout_s: float = 30.0) -> None:
        self._socket = socket.create_connection((host, port), timeout_s)
        self._lines = self._socket.makefile("rb")

    def ask(self, op: str, **arguments: Any) -> dict[str, Any]:
        """Send an order. Raises RuntimeError with the bench's reason when it is refused."""
        self._socket.sendall(json.dumps({"op": op, **arguments}).encode() + b"\n")
        line = self._lines.readline()
        if not line:
            raise RuntimeError(f"virtual bench: gone while asked for {op}")
        answer: dict[str, Any] = json.loads(line)
        if not answer.pop("ok"):
            raise RuntimeError(f"virtual bench: {op}: {answer['error']}")
        return answer

    def close(self) -> None:
        """Hang up."""
        self._lines.close()
        self._socket.close()


class VirtualBench:
    """The bench as a process, from `start` to `stop`; a context manager."""

    def __init__(
        self, panel: str = "vireth-10x", speed: float | str = "max", seed: int = 1, options: tuple[str, ...] = ()
    ) -> None:
        self._command = [
            *(sys.executable, "-m", "greystep.sim_instruments", "--until-stdin-closes"),
            *("--panel", panel, "--speed", str(speed), "--seed", str(seed), *options),
        ]
        self._process: subprocess.Popen[bytes] | None = None
        self.resources: dict[str, str] = {}
        """VISA resource name of each role."""
        self.hislip: dict[str, str] = {}
        """The same instruments over HiSLIP."""
        self.side_door: SideDoorClient

    def start(self) -> Self:
        """Start the process and wait until it listens. Raises RuntimeError when it does not come up."""
        self._process = subprocess.Popen(self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=os.environ)
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            code = self._process.wait()
            self._close_pipes()
            raise RuntimeError(f"virtual bench: ended with code {code} before it listened")
        announced = json.loads(line)
        self.resources, self.hislip = announced["resources"], announced["hislip"]
        self.side_door = SideDoorClient(announced["side_door"]["host"], announced["side_door"]["port"])
        return self

    @property
    def pid(self) -> int:
        """Process id."""
        assert self._process is not None
        return self._process.pid

    def stop(self) -> int:
        """End the process; its exit code."""
        assert self._process is not None
        self.side_door.close()
        with contextlib.suppress(BrokenPipeError):
            self._close_pipes()
        try:
            return self._process.wait(10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return self._process.wait()

    def _close_pipes(self) -> None:
        assert self._process is not None
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.stop()

    def address(self, role: str) -> tuple[str, int]:
        """Host and port of an instrument, for bare sockets."""
        _, host, port, _ = self.resources[role].split("::")
        return host, int(port)

    def hello(self) -> dict[str, Any]:
        """State of the bench."""
        return self.side_door.ask("hello")

    def mount(self, panel: str, cold: bool = False) -> None:
        """Put another display on the bench."""
        self.side_door.ask("mount", panel=panel, cold=cold)

    def skip(self, seconds: float) -> None:
        """Move simulated time forward."""
        self.side_door.ask("skip", seconds=seconds)

    def fault(self, instrument: str, kind: str, after: int = 0, times: int = 1, match: str = "", **parameters: Any) -> int:
        """Order a fault; returns its number. Kinds and parameters: greystep.sim_instruments.faults.order."""
        order = {"instrument": instrument, "kind": kind, "after": after, "times": times, "match": match, **parameters}
        return int(self.side_door.ask("fault", **order)["number"])

    def hits(self, number: int) -> int:
        """How often a fault has happened: a test of a fault fails when this is 0."""
        return next(int(order["hits"]) for order in self.side_door.ask("faults")["faults"] if order["number"] == number)

    def clear_faults(self) -> None:
        """Forget all faults; instruments that were away or replaced are back."""
        self.side_door.ask("clear_faults")

    def truth(self, acquisition: int | None = None) -> dict[str, Any]:
        """Exact figures of each segment of an acquisition (the last by default)."""
        return self.side_door.ask("truth", acquisition=acquisition)

    def transition(self, from_level: int, to_level: int, window_s: float = 1.0) -> dict[str, Any]:
        """Exact figures of an isolated transition in the present condition."""
        return self.side_door.ask("transition", from_level=from_level, to_level=to_level, window_s=window_s)

    def trace(self, segment: int, acquisition: int | None = None, kind: str = "luminance") -> tuple[float, float, bytes]:
        """Time of the first sample from the trigger, interval, and the noise-free values (float64, little endian)."""
        answer = self.side_door.ask("trace", segment=segment, acquisition=acquisition, kind=kind)
        return answer["first_sample_s"], answer["interval_s"], base64.b64decode(answer["values"])
