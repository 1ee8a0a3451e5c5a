"""The whole job on a virtual bench: a co-operative tests field viewers for drone pilots. Every name is invented."""

from .demo import DemoResult, run_demo

__all__ = ["DemoResult", "run_demo"]
