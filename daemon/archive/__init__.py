"""The raw archive: append-only folder of immutable captures. The only truth; the only place that knows HDF5."""
