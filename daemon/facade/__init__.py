"""greystep: unattended display-response measurement with an immutable raw archive.

In a notebook:

    import greystep
    home = greystep.open("path/of/the/home")
    home.measurements(quantity="transition_duration")
"""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Literal

    from greystep.daemon.notebook import ArchiveView

__all__ = ["__version__", "open"]

try:
    __version__ = version("greystep")
except PackageNotFoundError:  # a checkout that was never installed
    __version__ = "0.0.0"


def open(  # noqa: A001 - `greystep.open` reads as what it does
    home: str | Path | None = None, *, frames: Literal["pandas", "polars", "arrow"] = "pandas"
) -> ArchiveView:
    """Open a home folder for reading; tables come as `frames`. See `greystep.daemon.notebook`."""
    from greystep.daemon.notebook import open_home  # nothing heavy is loaded with the package itself

    return open_home(home, frames=frames)
