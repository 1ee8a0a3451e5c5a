"""A `bench.toml` for the virtual bench, so that a person can practise the real commands on it."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path

MARK = "# Written by the virtual bench, and written again at its next start."
UNCERTAIN = {"luminance": 0.01, "power": 0.001}
"""Stated relative standard uncertainty of the virtual meters."""


def bench_text(name: str, bandwidth_hz: float, resources: Mapping[str, str]) -> str:
    """The text of a `bench.toml` that names these instruments.

    Args:
        name: of the bench.
        bandwidth_hz: of the virtual photosensor.
        resources: VISA resource name by role.
    """
    lines = [MARK, f"name = {json.dumps(name)}", 'house_method = "band-first-entry"', ""]
    lines += ["[sensor]", 'name = "virtual photodiode"', f"bandwidth_hz = {bandwidth_hz:g}", ""]
    for role, resource in resources.items():
        lines += [f"[instruments.{role}]", f'driver = "scpi-{role}"', f'resource = "{resource}"']
        lines += [f"u_relative = {UNCERTAIN[role]}"] if role in UNCERTAIN else []
        lines += [""]
    return "\n".join(lines)


def write_bench(path: Path, text: str) -> None:
    """Write a bench file, whole or not at all; its folder is made.

    Raises:
        ValueError: somebody else's bench file stands there.
    """
    if path.exists() and not path.read_text(encoding="utf-8", errors="replace").startswith(MARK):
        raise ValueError(f"{path} is not the virtual bench's: it is left as it is; give --bench-file another home's")
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    write_atomically(path, text)


def write_atomically(path: Path, text: str) -> None:
    """A reader sees the whole file or none."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    temporary.write_text(text, encoding="utf-8")
    temporary.replace(path)
