"""Dialect files that come with greystep."""
