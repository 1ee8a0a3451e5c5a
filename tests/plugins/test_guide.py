"""The examples of DEVELOPERS.md work as they are printed, and every hook that they implement exists."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

GUIDE = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
CHAPTERS = ("A driver", "A dialect", "A method", "An importer", "A reporter")
CHECK_HOOKS = """
import pluggy, types
from greystep.schema import hooks
manager = pluggy.PluginManager(hooks.PROJECT)
manager.add_hookspecs(hooks)
manager.register(types.SimpleNamespace(**{k: v for k, v in globals().items() if k.startswith("greystep_")}))
manager.check_pending()
"""


def examples(chapter: str) -> list[str]:
    """Python blocks below a heading."""
    _, _, rest = GUIDE.partition(f"### {chapter}\n")
    return re.findall(r"```python\n(.*?)```", re.split(r"^##+ ", rest, flags=re.MULTILINE)[0], re.DOTALL)


@pytest.mark.parametrize("chapter", CHAPTERS)
def test_example_of_the_guide_runs_as_printed(chapter: str, tmp_path: Path):
    blocks = examples(chapter)
    assert blocks, f"no example under {chapter!r}"
    for code in blocks:
        assert "assert " in code, "an example shows that it works"
        command = [sys.executable, "-W", "error", "-c", code + CHECK_HOOKS]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr


def test_no_example_of_the_guide_is_left_out():
    assert GUIDE.count("```python") == sum(len(examples(c)) for c in CHAPTERS)
