"""`greystep plugin new`: what it makes can be installed, keeps its contracts, and measures."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from greystep.daemon.home import Home
from greystep.daemon.scaffold import KINDS, make_package
from greystep.schema.errors import InputError

from ..cli.bench import greystep, one_line
from .environment import Environment

PLAN = """name = "with plugins"
flash_acknowledged = true
methods = ["duration-10-90"]
[dut]
model = "Petrel 5"
[[condition]]
refresh_rate_hz = 60.0
[levels]
step = [0, 255]
[capture]
hold_s = 0.1
repeats = 3
sample_rate_hz = 50e3
steady_s = 0.05
"""
BENCH = 'methods = ["duration-10-90"]\n' + "".join(
    f'[instruments.{role}]\ndriver = "my-{role}"\n' for role in ("digitiser", "pattern", "luminance")
)


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Environment:
    """An environment with one new package of each kind."""
    root = tmp_path_factory.mktemp("fresh")
    for kind in KINDS:
        make_package(f"my-{kind}", kind, root)
    made = Environment(root)
    made.install(*(root / f"my-{kind}" for kind in KINDS))
    return made


def test_new_packages_are_loaded_beside_the_built_in_ones(fresh: Environment):
    done = fresh.greystep("plugins", "--format", "json")
    assert done.returncode == 0, done.stdout + done.stderr
    offers = {row["plugin"]: row["offers"] for row in json.loads(done.stdout)}
    for kind in KINDS:
        assert offers[f"my-{kind}"] == [f"{'estimator' if kind == 'method' else 'driver'} my-{kind}"], offers
    assert "builtin-methods" in offers


def test_the_tests_of_new_packages_pass_where_they_are_installed(fresh: Environment):
    tests = [str(fresh.root / f"my-{kind}" / "tests") for kind in KINDS]
    done = fresh.run("-m", "pytest", "-q", "-p", "no:cacheprovider", "-W", "error", "--import-mode=importlib", *tests)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "passed" in done.stdout
    assert "failed" not in done.stdout


def test_new_drivers_are_opened_by_the_runner_and_a_new_method_by_recompute(fresh: Environment):
    home = Home(fresh.root / "home").create()
    home.bench_file.write_text(BENCH)
    (home.inbox / "plan.toml").write_text(PLAN)
    served = fresh.greystep("--home", str(home.root), "serve", "--once", "--workers", "1", "--quiet")
    assert served.returncode == 0, served.stdout + served.stderr
    done = fresh.greystep("--home", str(home.root), "recompute", "--method", "my-method", "--workers", "1")
    assert done.returncode == 0, done.stdout + done.stderr
    told = fresh.greystep("--home", str(home.root), "results", "--method", "my-method", "--format", "json")
    rows = json.loads(told.stdout)
    assert [(r["from_level"], r["to_level"]) for r in rows] == [(0, 255), (255, 0)], told.stdout
    # The simulated digitiser's time constant is 2 ms; 10 % to 90 % takes ln 9 of it. Its noise is 0.1 % of the step.
    for row in rows:
        assert abs(row["value"] - math.log(9) * 2e-3) < 1.5 * row["expanded_uncertainty"], row
        assert row["expanded_uncertainty"] < 0.02 * row["value"], row
        assert row["fingerprint"]
    listed = fresh.greystep("--home", str(home.root), "instruments", "list", "--no-search", "--format", "json")
    assert [r["about"] for r in json.loads(listed.stdout)] == [
        f"Example,my-{role},simulated,1" for role in ("digitiser", "pattern", "luminance")
    ]


@pytest.mark.parametrize("name", ["Upper", "json", "class", "greystep", "with space", "../up", "-x", ""])
def test_a_name_that_can_not_be_a_package_is_refused_and_nothing_is_written(tmp_path: Path, name: str):
    with pytest.raises(InputError):
        make_package(name, "method", tmp_path)
    assert not list(tmp_path.iterdir())


def test_nothing_that_exists_is_overwritten(tmp_path: Path):
    (tmp_path / "my-scope").mkdir()
    done = greystep(None, "plugin", "new", "my-scope", "--role", "digitiser", "--into", str(tmp_path))
    assert done.exit_code == 2
    assert "is there already" in one_line(done)
    assert not list((tmp_path / "my-scope").iterdir())


def test_role_and_method_exclude_each_other(tmp_path: Path):
    for options in ((), ("--role", "power", "--method")):
        done = greystep(None, "plugin", "new", "my-thing", *options, "--into", str(tmp_path))
        assert done.exit_code == 2
        assert "--role" in one_line(done)
    assert not list(tmp_path.iterdir())
