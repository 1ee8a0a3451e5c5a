"""Spawned workers import the tests' plugins by name."""

import sys
from pathlib import Path

import pytest

from .laboratory import Laboratory

ROOT = str(Path(__file__).resolve().parents[2])
if ROOT not in sys.path:
    sys.path.append(ROOT)


@pytest.fixture
def lab(tmp_path):
    return Laboratory(tmp_path)
