"""Starts a plugin: an installable package with a working example, its tests and README, from the templates beside this file."""

from .package import KINDS, make_package

__all__ = ["KINDS", "make_package"]
