"""What the guide shows can be pasted."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner
from greystep.daemon.cli import main
from greystep.daemon.importing.manifest import Manifest

GUIDE = (Path(__file__).parents[2] / "docs" / "no-wire.md").read_text(encoding="utf-8")


def test_the_manifest_of_the_guide_is_valid() -> None:
    blocks = [tomllib.loads(b) for b in re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)]
    manifest = next(b for b in blocks if "dut" in b)
    assert [e.kind for e in Manifest.model_validate(manifest).capture] == ["steady", "step", "record"]


@pytest.mark.parametrize("line", re.findall(r"^    (greystep planner .*)$", GUIDE, re.MULTILINE))
def test_the_planner_of_the_guide_answers(line: str) -> None:
    got = CliRunner().invoke(main, shlex.split(line)[1:])
    assert got.exit_code == 0, got.output
    assert "sample_rate_hz" in got.output


@pytest.mark.parametrize(
    "command", sorted({m.split()[0] for m in re.findall(r"`?greystep ((?:import|capture|pattern|planner)[^`\n]*)", GUIDE)})
)
def test_every_command_of_the_guide_exists(command: str) -> None:
    assert CliRunner().invoke(main, [command, "--help"]).exit_code == 0
