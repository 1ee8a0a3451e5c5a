"""Fails at import."""
