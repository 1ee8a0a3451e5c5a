"""A Dask scheduler and workers as real processes, as a user starts them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


class RealCluster:
    """`dask scheduler` and `dask worker` as a user starts them."""

    def __init__(self, folder: Path, allowed_failures: int) -> None:
        self.folder = folder
        self.allowed_failures = str(allowed_failures)
        self.file = folder / "scheduler.json"
        self.processes = []
        self.scheduler = self._start("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-jupyter")
        self.address = self._wait_for(lambda: json.loads(self.file.read_text())["address"])

    def add_worker(self, *, nanny=False):
        """A nanny starts its worker again when it dies."""
        watch = "--nanny" if nanny else "--no-nanny"
        return self._start("dask_worker", "--nthreads", "1", watch, "--no-dashboard", "--host", "127.0.0.1")

    def _start(self, module, *arguments):
        log = (self.folder / f"{module}-{len(self.processes)}.log").open("w")
        process = subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{module}", "--scheduler-file", str(self.file), *arguments],
            cwd=self.folder,
            env={
                **os.environ,
                "PYTHONPATH": str(ROOT),
                "PYTHONWARNINGS": "default",
                "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": self.allowed_failures,
            },
            stdout=log,
            stderr=subprocess.STDOUT,
        )
        log.close()
        self.processes.append(process)
        return process

    @staticmethod
    def _wait_for(question, timeout_s=60.0):
        end = time.monotonic() + timeout_s
        while True:
            try:
                return question()
            except (OSError, ValueError):
                if time.monotonic() > end:
                    raise
                time.sleep(0.1)

    def close(self):
        # A nanny ends its worker when it is asked to end, not when it is killed.
        for process in self.processes[1:]:
            process.terminate()
        for process in reversed(self.processes):
            try:
                process.wait(10 if process is not self.scheduler else 0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(10)
