"""A run as an RO-Crate: raw files, measurements, methods and pictures in one folder, to publish and to take in again."""

from .bundle import bundle_run
from .unbundle import Unbundled, import_bundle, is_bundle

__all__ = ["Unbundled", "bundle_run", "import_bundle", "is_bundle"]
