"""Readers of traces recorded elsewhere: delimited text (plain or gzip) and NumPy arrays."""
