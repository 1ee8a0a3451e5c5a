"""Fixtures of the durability tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from greystep.sim_instruments.testing import VirtualBench

from .laboratory import Laboratory


@pytest.fixture
def laboratory(tmp_path: Path) -> Iterator[Laboratory]:
    with VirtualBench(panel="vireth-10x", speed="max", seed=7) as bench:
        made = Laboratory(tmp_path / "home", bench)
        yield made
        if made.service is not None:
            made.service.kill()
            made.service.wait()
