"""A home whose figures were made by the commands themselves."""

from __future__ import annotations

from pathlib import Path

import pytest
from greystep.daemon.archive.archive import Archive
from greystep.daemon.home import Home

from ..recompute.laboratory import group_captures
from .bench import greystep

RUN = "01kabcdefghjkmnpqrstvwxyz0"


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Two conditions of an invented display, archived, indexed and computed. Tests only read it."""
    home = Home(tmp_path_factory.mktemp("measured")).create()
    home.bench_file.write_text('house_method = "duration-10-90"\n')
    archive = Archive(home.raw)
    for group, overdrive in (("c01", "off"), ("c02", "strong")):
        for capture in group_captures("Heron", RUN, group, overdrive):
            archive.write(capture)
    rebuilt = greystep(home.root, "archive", "rebuild")
    assert rebuilt.exit_code == 0, rebuilt.output
    done = greystep(home.root, "recompute", "--method", "duration-10-90", "--workers", "1")
    assert done.exit_code == 0, done.output
    return home


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """An empty home."""
    return Home(tmp_path / "home").create()
