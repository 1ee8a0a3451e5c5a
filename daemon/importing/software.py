"""Versions of the packages that matter for what an import writes."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version


def versions() -> dict[str, str]:
    """Package -> version; packages that are not installed are left out."""
    out = {"python": platform.python_version()}
    for name in ("greystep", "numpy", "h5py"):
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            continue
    return out
