"""An explicit package list drops a new folder from the wheel in silence; this compares the list with the folders."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
SOURCES = ("daemon", "plugins", "schema", "sim_instruments")


def test_every_folder_with_modules_is_in_the_package_list():
    found = {"greystep"}
    for source in SOURCES:
        for init in sorted((ROOT / source).rglob("__init__.py")):
            parts = init.parent.relative_to(ROOT).parts
            if parts[:2] != ("daemon", "facade"):
                found.add(".".join(("greystep", *parts)))
    assert sorted(found) == sorted(PROJECT["tool"]["setuptools"]["packages"])


def test_every_folder_with_modules_has_an_init():
    for source in SOURCES:
        for module in (ROOT / source).rglob("*.py"):
            assert (module.parent / "__init__.py").exists(), module.parent


def test_nothing_installs_a_generic_top_level_name():
    names = {p.split(".")[0] for p in PROJECT["tool"]["setuptools"]["packages"]}
    assert names == {"greystep"}


def test_help_loads_none_of_the_heavy_packages():
    heavy = ["numpy", "pydantic", "h5py", "pyvisa", "scipy", "watchdog", "jinja2", "pandas", "altair", "numba", "rich.table"]
    code = (
        "import sys; from click.testing import CliRunner; from greystep.daemon.cli import main; "
        "done = CliRunner().invoke(main, ['--help']); assert done.exit_code == 0, done.output; "
        f"print([m for m in {heavy!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
