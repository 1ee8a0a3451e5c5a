"""The commands for displays without a wire: what they print and how they end."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from greystep.daemon.archive.archive import Archive
from greystep.daemon.cli.capture import capture
from greystep.daemon.cli.import_ import import_
from greystep.daemon.cli.pattern import pattern
from greystep.daemon.cli.planner import planner

from .desk import Desk, rise_csv

PLAN = '[dut]\nmodel = "Petrel 5"\n[[condition]]\nrefresh_rate_hz = 60.0\n[levels]\nstep = [0, 128, 255]\nsteady = [0, 39]\n'


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    monkeypatch.setenv("GREYSTEP_HOME", str(tmp_path / "home"))
    return Desk.at(tmp_path)


def run(command: object, *arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments))  # type: ignore[arg-type]


@pytest.mark.parametrize("command", [import_, capture, planner, pattern.commands["export"], pattern.commands["page"]])
def test_every_command_has_help_with_an_example(command: object) -> None:
    got = run(command, "--help")
    assert got.exit_code == 0
    assert "Example: greystep" in got.output


def test_import_says_what_it_did_and_a_second_time_that_it_did_nothing(desk: Desk) -> None:
    desk.put("rise.csv", rise_csv())
    manifest = str(desk.manifest())
    first = run(import_, manifest)
    assert (first.exit_code, first.stdout[:23]) == (0, "imported 1 captures as ")
    second = run(import_, manifest)
    assert second.exit_code == 3
    assert "already imported as run" in second.stdout
    assert len(list(Archive(Path(os.environ["GREYSTEP_HOME"]) / "raw").scan())) == 1


def test_a_bad_manifest_is_wrong_use_with_one_line_a_problem(desk: Desk) -> None:
    desk.put("rise.csv", rise_csv().replace("0.0500,", "x,").replace("0.0600,", "y,"))
    got = run(import_, str(desk.manifest()))
    assert got.exit_code == 2
    lines = got.stderr.splitlines()
    assert [line.split("rise.csv")[1] for line in lines] == [":52:time_s: not a number: 'x'", ":62:time_s: not a number: 'y'"]
    assert run(import_, "nowhere.toml").exit_code == 2


def test_a_plan_that_flashes_must_say_so_and_a_bench_without_digitiser_is_named(desk: Desk) -> None:
    text = PLAN + "[capture]\nhold_s = 0.1\n"
    plan = desk.put("plan.toml", text)
    got = run(capture, str(plan))
    assert got.exit_code == 2
    assert "flash_acknowledged" in got.stderr
    for first in ("flash_acknowledged = true\n", 'pattern = "manual"\n'):
        plan.write_text(first + text)
        got = run(capture, str(plan))
        assert got.exit_code == 2
        assert "bench.toml: no digitiser" in got.stderr


def test_pattern_files_are_written_and_shifted_levels_are_flagged(desk: Desk) -> None:
    pytest.importorskip("av", reason="videos need the extra `video`")
    plan = str(desk.put("plan.toml", PLAN.replace("[levels]", "[capture]\nhold_s = 0.2\n[levels]")))
    out = str(desk.folder / "out")
    got = run(pattern, "export", plan, "--out", out, "--rate", "24", "--repeats", "1", "--size", "128x96")
    assert got.exit_code == 3
    assert "level 39 is shown as 38" in got.stderr
    assert run(pattern, "export", plan, "--out", out, "--size", "big").exit_code == 2
    assert run(pattern, "export", plan, "--out", out, "--pictures").exit_code == 0


def test_the_planner_prints_lines_that_a_plan_accepts(desk: Desk) -> None:
    import tomllib

    from greystep.schema.plan import CaptureSettings

    got = run(planner, "--fastest-ms", "2", "--slowest-ms", "40", "--scatter-percent", "3")
    assert got.exit_code == 0
    CaptureSettings.model_validate(tomllib.loads(got.stdout[got.stdout.index("[capture]") :])["capture"])
    data = json.loads(run(planner, "--fastest-ms", "2", "--slowest-ms", "40", "--format", "json").stdout)
    assert data["repeats"] >= 3
    assert run(planner, "--fastest-ms", "20", "--slowest-ms", "2").exit_code == 2
