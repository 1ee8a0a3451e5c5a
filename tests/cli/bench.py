"""Run the command line as a person would, in this process or in one of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from click.testing import CliRunner, Result
from greystep.daemon.cli import main

PLAN = """name = "first look"
[dut]
model = "Petrel 5"
[[condition]]
refresh_rate_hz = 60.0
[levels]
step = [0, 128, 255]
[capture]
hold_s = 0.34
repeats = 2
"""


def greystep(home: Path | None, *arguments: str) -> Result:
    """In this process; standard output is no terminal."""
    given = ["--home", str(home)] if home else []
    return CliRunner().invoke(main, [*given, *arguments])


def process(home: Path | None, *arguments: str, **changes: str) -> subprocess.CompletedProcess[str]:
    """In a process of its own."""
    command = [sys.executable, "-m", "greystep.daemon", *(["--home", str(home)] if home else []), *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, env=os.environ | changes)


def one_line(result: Result) -> str:
    """The error of a command that failed: exactly one line on standard error, and no traceback."""
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert "Traceback" not in result.output
    assert "unexpected" not in lines[0], lines[0]
    return lines[0]
