"""results, budget, compare, recompute: what is printed and handed on, from figures that the commands made themselves."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path

import pytest
from greystep.daemon.archive.archive import Archive
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.cli import drawing, shown
from greystep.daemon.cli.numbers import quantity_text
from greystep.daemon.home import Home
from greystep.schema.dut import DUT

from tests.report.homes import make_home

from ..recompute.laboratory import group_captures
from .bench import greystep, one_line, process
from .conftest import RUN

CONTRACT = {
    "dut",
    "run",
    "capture",
    "capture_sha256",
    "refresh_rate_hz",
    "overdrive",
    "from_level",
    "to_level",
    "quantity",
    "value",
    "unit",
    "expanded_uncertainty",
    "method",
    "fingerprint",
    "flags",
}


def results(home: Home, *arguments: str) -> list[dict]:
    done = greystep(home.root, "results", *arguments, "--format", "json")
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_json_has_the_promised_fields_and_the_sha256_of_the_raw_file(measured: Home):
    rows = results(measured, "--quantity", "transition_duration")
    assert len(rows) == 12
    sums = {digest for folder in measured.raw.glob("*/*") for digest in Archive(measured.raw).listed(folder).values()}
    for row in rows:
        assert set(row) >= CONTRACT
        assert row["capture_sha256"] in sums
        assert isinstance(row["flags"], list)
        assert (row["unit"], row["method"], row["refresh_rate_hz"]) == ("s", "duration-10-90", 60.0)


def test_json_csv_and_parquet_hold_the_same_figures_as_the_catalogue(measured: Home, tmp_path: Path):
    with Catalogue(measured.catalogue) as catalogue:
        truth = sorted(m.figure.value for m in catalogue.results(Filter(quantity=("transition_duration",))))
    as_json = sorted(r["value"] for r in results(measured, "--quantity", "transition_duration"))
    done = greystep(measured.root, "results", "--quantity", "transition_duration", "--format", "csv")
    as_csv = sorted(float(r["value"]) for r in csv.DictReader(io.StringIO(done.stdout)))
    assert as_json == as_csv == truth
    parquet = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "out.parquet"
    done = greystep(measured.root, "results", "--quantity", "transition_duration", "--format", "parquet", "--output", str(path))
    assert done.exit_code == 0, done.output
    assert sorted(parquet.read_table(path)["value"].to_pylist()) == truth


def test_infinite_degrees_of_freedom_do_not_break_json(measured: Home):
    rows = results(measured)
    assert rows
    assert all(r["dof"] is None or math.isfinite(r["dof"]) for r in rows)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--overdrive", "off"), {"off"}),
        (("--overdrive", "off", "--overdrive", "strong"), {"off", "strong"}),
        (("--dut", "heron"), {"off", "strong"}),
        (("--run", RUN[:8]), {"off", "strong"}),
        (("latest",), {"off", "strong"}),
        (("--refresh", "120"), set()),
    ],
)
def test_filters_choose(measured: Home, arguments: tuple[str, ...], expected: set[str]):
    assert {r["overdrive"] for r in results(measured, *arguments)} == expected


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--method", "duration-10-9"), "duration-10-90"),
        (("--quantity", "overshot"), "overshoot"),
        (("--dut", "egret"), "heron"),
        (("--run", "zzz"), "greystep status"),
    ],
)
def test_unknown_names_fail_in_one_line_with_the_near_ones(measured: Home, arguments: tuple[str, ...], words: str):
    done = greystep(measured.root, "results", *arguments)
    assert done.exit_code == 1
    assert words in one_line(done)


def test_an_output_that_cannot_be_written_leaves_nothing_behind(measured: Home, tmp_path: Path):
    done = greystep(measured.root, "results", "--format", "csv", "--output", str(tmp_path / "no" / "x.csv"))
    assert done.exit_code == 1
    assert "x.csv" in one_line(done)
    assert list(tmp_path.iterdir()) == []


def test_parquet_without_a_file_is_wrong_use(measured: Home):
    done = greystep(measured.root, "results", "--format", "parquet")
    assert done.exit_code == 2
    assert "--output" in one_line(done)


def test_piped_output_has_no_escape_codes_and_no_drawing(measured: Home):
    done = process(measured.root, "results", "latest", FORCE_COLOR="1")
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout
    assert "▁" not in done.stdout
    assert "transition_duration" in done.stdout


def test_a_reader_that_goes_away_is_no_error(measured: Home):
    import subprocess
    import sys

    command = f"{sys.executable} -m greystep.daemon --home {measured.root} results --format json | head -c 1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=60, check=False)
    assert (done.stdout, done.stderr) == ("[", "")


@pytest.mark.parametrize("columns", [60, 100])
def test_on_a_terminal_the_matrix_and_the_light_stand_in_front_and_all_fits_the_width(
    measured: Home, monkeypatch: pytest.MonkeyPatch, columns: int
):
    monkeypatch.setattr(shown, "on_terminal", lambda: True)
    monkeypatch.setattr("greystep.daemon.cli.results.on_terminal", lambda: True)
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("NO_COLOR", "1")
    done = greystep(measured.root, "results", "latest", "--quantity", "transition_duration")
    assert done.exit_code == 0, done.output
    assert done.output.count("from to") == 2
    light = [line.split()[-1] for line in done.output.splitlines() if line.startswith("  0 to 255")]
    assert len(light) == 2
    for line in light:
        assert line[0] == "▁"
        assert line[-1] == "█"
    table = done.output.split("method:")[-1].splitlines()[1:]
    assert table
    assert all(len(line) <= columns for line in table)
    assert all(len(line) <= columns for line in done.output.splitlines() if "▁" in line)


def test_on_a_wide_terminal_each_condition_has_a_table_and_no_name_is_broken(measured: Home, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(shown, "on_terminal", lambda: True)
    monkeypatch.setattr("greystep.daemon.cli.results.on_terminal", lambda: True)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("NO_COLOR", "1")
    done = greystep(measured.root, "results", "--method", "duration-10-90")
    assert done.exit_code == 0, done.output
    assert done.output.count("condition:") == done.output.count("transition_duration_median") == 2
    assert "\x1b" not in done.output


def test_bars_rise_with_the_values():
    assert drawing.bars([0.0, 1.0, 2.0, 7.0]) == "▁▂▃█"
    assert drawing.bars([3.0, 3.0]) == "▁▁"


def test_numbers_are_rounded_to_their_uncertainty():
    assert quantity_text("transition_duration", "s", 0.0042134, 0.000119) == "4.21 ± 0.12 ms"
    assert quantity_text("overshoot", "1", 0.1034, math.nan) == "10.3 %"
    assert quantity_text("transition_duration", "s", 0.001, math.nan, "<=") == "≤ 1.00 ms"
    assert quantity_text("transition_duration", "s", math.nan, math.nan) == "-"
    assert quantity_text("their-own", "lx", 12.0, 0.5) == "12.00 ± 0.50 lx"


def test_a_budget_adds_up_to_the_uncertainty_of_the_figure(measured: Home):
    arguments = ("budget", "latest", "0", "255", "--overdrive", "off")
    done = greystep(measured.root, *arguments, "--format", "json")
    lines = json.loads(done.stdout)
    [row] = [
        r
        for r in results(measured, "--quantity", "transition_duration", "--overdrive", "off")
        if (r["from_level"], r["to_level"]) == (0, 255)
    ]
    assert math.fsum(line["effect"] ** 2 for line in lines) == pytest.approx(row["u"] ** 2, rel=1e-6)
    assert sum(line["share_percent"] for line in lines) == pytest.approx(100)
    assert done.exit_code == (3 if row["flags"] else 0)
    assert "scatter of the repeats" in greystep(measured.root, *arguments).output


def test_a_budget_of_a_figure_that_is_not_there_says_so(measured: Home):
    done = greystep(measured.root, "budget", "latest", "1", "2")
    assert done.exit_code == 1
    assert "1 to 2" in one_line(done)


def test_unlike_conditions_are_ranked_only_when_asked_for(measured: Home):
    refused = greystep(measured.root, "compare")
    assert refused.exit_code == 1
    assert "--mixed" in one_line(refused)
    mixed = greystep(measured.root, "compare", "--mixed")
    assert mixed.exit_code == 3, mixed.output
    assert "mixed: 2 conditions" in mixed.stderr
    one = greystep(measured.root, "compare", "--overdrive", "off", "--format", "json")
    assert [r["rank"] for r in json.loads(one.stdout)] == [1]


def test_a_dry_run_says_what_is_out_of_date_and_changes_nothing(measured: Home):
    before = measured.catalogue.read_bytes()
    done = greystep(measured.root, "recompute", "--dry-run", "--format", "csv")
    rows = {r["method"]: r for r in csv.DictReader(io.StringIO(done.stdout))}
    assert rows["duration-10-90"]["out_of_date"] == "0"
    assert rows["band-settled"]["out_of_date"] == "6"
    assert measured.catalogue.read_bytes() == before


def test_a_changed_method_is_shown_as_table_csv_json_and_page(tmp_path: Path):
    home = Home(tmp_path / "home").create()
    archive = Archive(home.raw)
    for capture in group_captures("<Heron>", RUN, "c01", "off"):
        archive.write(capture)
    mine = home.methods / "mine.toml"
    for part in (0.1, 0.2):
        mine.write_text(
            'id = "mine"\ntitle = "Mine"\nestimator = "transition"\n[parameters]\ndomain = "luminance"\n'
            f"start_fraction = {part}\n"
        )
        done = greystep(home.root, "recompute", "--method", "mine", "--workers", "1")
        assert done.exit_code == 0, done.output
    assert "parameters.start_fraction: 0.1 -> 0.2" in done.stdout
    assert "Transitions that moved most" in done.stdout
    page = Path(done.stdout.rpartition("page: ")[2].strip())
    old, new = page.stem.split("-")
    text = page.read_text()
    assert "&lt;Heron&gt;" in text
    assert "<Heron>" not in text
    assert "0 to 255" in text
    page.unlink()
    again = greystep(home.root, "recompute", "--diff", old, new)
    assert again.exit_code == 0, again.output
    assert page.exists()
    rows = list(csv.DictReader(io.StringIO(greystep(home.root, "recompute", "--diff", old, new, "--format", "csv").stdout)))
    nested = json.loads(greystep(home.root, "recompute", "--diff", old, new, "--format", "json").stdout)
    assert [float(r["change"]) for r in rows if not r["to_level"]] == [d["change"] for d in nested["displays"]]
    assert [(r["from_level"], r["to_level"], float(r["change"])) for r in rows if r["to_level"]] == [
        (str(m["from_level"]), str(m["to_level"]), m["change"]) for d in nested["displays"] for m in d["moved"]
    ]
    assert [int(r["rank_after"]) for r in rows if not r["to_level"]] == [d["rank_after"] for d in nested["displays"]]
    assert all(float(r["change"]) < 0 for r in rows)
    assert all(d["moved"] for d in nested["displays"])
    assert "nothing is out of date" in greystep(home.root, "recompute", "--dry-run", "--method", "mine").stdout
    good = mine.read_text()
    mine.write_text(good + "start_fraction = 0.3\n")
    broken = greystep(home.root, "recompute", "--method", "duration-10-90", "--workers", "1")
    assert "mine.toml" in broken.stderr
    mine.write_text(good.replace("0.2", "0.3"))
    mended = greystep(home.root, "recompute", "--method", "mine", "--workers", "1")
    assert "parameters.start_fraction: 0.2 -> 0.3" in mended.stdout, "what it was before it was broken"


def test_recompute_beside_a_running_service_is_refused(measured: Home):
    with measured.lock():
        done = process(measured.root, "recompute")
    assert done.returncode == 1
    assert "works in this home" in done.stderr


def test_methods_are_explained_and_a_broken_one_is_named(home: Home):
    (home.methods / "mine.toml").write_text('id = "mine"\ntitle = "Mine"\nestimator = "transitoin"\n')
    listed = greystep(home.root, "methods")
    assert listed.exit_code == 3
    assert "mine.toml:3" in listed.stderr
    shown_ = greystep(home.root, "methods", "show", "duration-10-90")
    assert shown_.exit_code == 0
    assert "fingerprint" in shown_.output
    unknown = greystep(home.root, "methods", "show", "mien")
    assert unknown.exit_code == 2


def test_before_and_after_a_firmware_change_each_line_says_its_run(tmp_path: Path):
    displays = [
        (DUT(maker="Invented", model="Heron", panel="LCD", firmware=f), tau) for f, tau in (("1.0", 2e-3), ("2.0", 1e-3))
    ]
    home, runs = make_home(tmp_path, displays, levels=(0, 255), methods=["duration-10-90"])
    done = greystep(home.root, "compare", "--all-runs", "--method", "duration-10-90")
    first, second = done.output.splitlines()[1:3]
    assert "firmware 2.0, 2026-01-02" in first
    assert "firmware 1.0, 2026-01-02" in second
    assert "2.00 times as long" in second or "slower" in second
    listed = greystep(home.root, "results", "--quantity", "transition_duration_mean", "--method", "duration-10-90")
    assert all(run in listed.output for run in runs)
