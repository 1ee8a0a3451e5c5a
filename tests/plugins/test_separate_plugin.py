"""A plugin that lives apart is really installed and used; its broken sibling is named and stops nothing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from greystep.daemon.archive.archive import Archive
from greystep.daemon.home import Home

from ..recompute.laboratory import group_captures
from .environment import Environment

RUN = "01kabcdefghjkmnpqrstvwxyz0"
EXAMPLES = Path(__file__).parents[1] / "example_plugin"


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Environment:
    """An environment with the good and the broken plugin."""
    made = Environment(tmp_path_factory.mktemp("separate"))
    made.install(EXAMPLES / "good", EXAMPLES / "broken")
    return made


def test_the_broken_plugin_is_named_with_its_reason_and_the_others_are_loaded(shared: Environment):
    done = shared.greystep("plugins", "--format", "json")
    assert done.returncode == 3, done.stdout + done.stderr
    rows = {row["plugin"]: row for row in json.loads(done.stdout)}
    torn, quiet = rows["torn-bench"], rows["quiet-bench"]
    assert (torn["package"], torn["version"], torn["state"]) == ("torn-bench", "0.0.1", "switched off")
    assert "no_such_vendor_library" in torn["offers"][0]
    assert (quiet["version"], quiet["state"], quiet["offers"]) == (
        "2.1.0",
        "loaded",
        ["driver quiet-power", "reporter quiet-broken", "reporter quiet-keys"],
    )
    assert all(row["state"] == "loaded" for name, row in rows.items() if name != "torn-bench")


def test_its_driver_is_opened_and_its_method_listed_beside_the_broken_one(shared: Environment):
    home = Home(shared.root / "home").create()
    readings = shared.root / "watts.txt"
    readings.write_text("3.25\n")
    home.bench_file.write_text(f'[instruments.power]\ndriver = "quiet-power"\nfile = "{readings}"\n')
    listed = shared.greystep("--home", str(home.root), "instruments", "list", "--no-search", "--format", "json")
    assert listed.returncode == 0, listed.stderr
    assert json.loads(listed.stdout)[0]["about"] == "quiet file meter"
    methods = shared.greystep("--home", str(home.root), "methods", "show", "quiet-20-80")
    assert methods.returncode == 0, methods.stderr
    assert "start_fraction = 0.2" in methods.stdout


def test_its_reporter_writes_files_and_one_that_fails_is_named(shared: Environment):
    home = Home(shared.root / "reported").create()
    archive = Archive(home.raw)
    for capture in group_captures("Heron", RUN, "c01", "off"):
        archive.write(capture)
    assert shared.greystep("--home", str(home.root), "archive", "rebuild").returncode == 0
    done = shared.greystep("--home", str(home.root), "report", RUN)
    assert done.returncode == 1
    assert done.stdout.strip().endswith("index.html")
    assert done.stderr.splitlines() == [f"{RUN}: reporter quiet-broken of quiet-bench: RuntimeError: the printer is on fire"]
    lines = (home.reports / "plugins" / RUN / "quiet-keys" / "captures.txt").read_text().splitlines()
    assert len(lines) == 6
    assert "c01-step-000-255 6" in lines
