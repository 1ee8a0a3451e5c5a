"""The archive from a notebook: captures as numpy arrays with units, measurements as data frames, methods run on one trace."""

from .archive_view import ArchiveView, open_home

__all__ = ["ArchiveView", "open_home"]
