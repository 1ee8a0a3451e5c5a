"""Comparing displays: which differences are real."""
