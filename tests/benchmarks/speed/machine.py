"""What machine it was, in one line."""

from __future__ import annotations

import importlib.metadata
import os
import platform
from pathlib import Path


def describe() -> str:
    """Processor, cores, memory, system, versions, load."""
    names = ("numpy", "h5py", "isal", "scipy")
    versions = ", ".join(f"{n} {importlib.metadata.version(n)}" for n in names)
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return (
        f"{_processor()}, {cores} cores, {_memory_gb():.0f} GB, {platform.system()} {platform.release()}, "
        f"Python {platform.python_version()}, {versions}; load before the run {load:.1f}"
    )


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    return next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), platform.machine())


def _memory_gb() -> float:
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    except (ValueError, OSError, AttributeError):
        return float("nan")
