"""The catalogue: an SQLite index of captures and measurements. Disposable: it is rebuilt from the raw files.

`schema.sql` holds the tables with their meaning, `catalogue` the one class that others use.
"""

from .catalogue import Catalogue

__all__ = ["Catalogue"]
