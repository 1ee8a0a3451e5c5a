"""greystep: unattended display-response measurement with an immutable raw archive."""

from importlib.metadata import PackageNotFoundError, version

__all__ = ["__version__"]

try:
    __version__ = version("greystep")
except PackageNotFoundError:  # a checkout that was never installed
    __version__ = "0.0.0"
