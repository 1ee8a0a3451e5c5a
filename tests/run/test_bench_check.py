"""The check of the whole bench against what is built into the virtual one."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.run.bench_check import BenchFigures, judge, measure_bench
from greystep.daemon.run.plan_preview import Preview, Seen, judge_plan
from greystep.daemon.run.rig import open_rig
from greystep.schema.plan import Plan
from greystep.schema.roles import CheckResult
from greystep.sim_instruments.testing import VirtualBench

from ..cli.bench import greystep

NOISE_V = 0.4e-3
DARK_V = 2.1e-3


@pytest.fixture(scope="module")
def bench() -> Iterator[VirtualBench]:
    with VirtualBench(panel="vireth-10x", speed="max", seed=5, options=("--noise-mv", "0.4")) as made:
        yield made


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory, bench: VirtualBench) -> Home:
    made = Home(tmp_path_factory.mktemp("home")).create()
    text = "".join(f'[instruments.{r}]\ndriver = "scpi-{r}"\nresource = "{a}"\n' for r, a in bench.resources.items())
    made.bench_file.write_text(text)
    return made


@pytest.fixture(scope="module")
def found(home: Home, bench: VirtualBench) -> BenchFigures:
    rig = open_rig(home, PluginHost.load(), others=False)
    try:
        figures = measure_bench(rig)
        assert bench.hello()["level"] == 0
        return figures
    finally:
        assert rig.close() == ""


def test_noise_and_dark_level_are_those_of_the_sensor(found: BenchFigures):
    assert found.noise_v == pytest.approx(NOISE_V, rel=0.1)
    assert DARK_V - 0.1e-3 < found.dark_v < DARK_V + 0.01 * found.span_v[1]  # black is not quite dark


def test_rise_time_is_that_of_the_fastest_transition(found: BenchFigures, bench: VirtualBench):
    truths = [bench.transition(a, b, 0.15) for a, b in ((0, 255), (255, 0))]
    wanted = min(t["duration_10_90_s"] for t in truths)
    assert found.rise_s == pytest.approx(wanted, rel=0.15), truths


def test_clocks_of_the_virtual_bench_agree_within_the_stated_uncertainty(found: BenchFigures):
    assert abs(found.timebase_rel) < 3 * found.timebase_u + 1e-5
    assert 0 <= found.jitter_s < 2e-5


def test_suggested_range_holds_the_widest_step_and_uses_the_converter(found: BenchFigures):
    low, high = found.span_v
    centre, half = found.light.offset_v, found.light.range_v / 2
    assert centre - half < low < high < centre + half
    assert 0.2 < found.adc_use < 0.8


def test_a_wrong_clock_a_weak_light_and_a_missing_sync_are_told(found: BenchFigures):
    def outcome(name: str, **changes: object) -> str:
        return next(r.outcome for r in judge(BenchFigures(**{**vars(found), **changes})) if name in r.name)

    assert outcome("time base", timebase_rel=1e-3, timebase_u=1e-6) == "fail"
    assert outcome("jitter", jitter_s=math.nan) == "not supported"
    assert outcome("stands out", noise_v=found.span_v[1]) == "fail"


def test_the_command_prints_every_figure_and_what_to_set(home: Home, bench: VirtualBench):
    done = greystep(home.root, "instruments", "check", "bench", "--format", "json")
    assert done.exit_code == 0, done.output
    rows = {r["check"]: r for r in json.loads(done.stdout)}
    assert {"noise floor", "dark level", "use of the converter", "usable bandwidth", "trigger jitter"} <= set(rows)
    assert "sample_rate_hz" in rows["suggested settings"]["detail"]
    assert bench.hello()["level"] == 0


PLAN = """
name = "look first"
flash_acknowledged = true
[dut]
model = "Vireth"
[[condition]]
refresh_rate_hz = 60.0
[levels]
step = [0, 64, 128, 255]
[capture]
repeats = 10
hold_s = {hold}
pretrigger_s = 0.02
sample_rate_hz = {rate}
"""


def looked_at(home: Home, tmp_path: Path, hold: float, rate: float) -> tuple[int, dict[str, dict[str, str]]]:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN.format(hold=hold, rate=rate))
    done = greystep(home.root, "instruments", "check", "bench", "--plan", str(file), "--format", "json")
    return done.exit_code, {r["check"]: r for r in json.loads(done.stdout)}


def test_a_plan_that_suits_the_bench_is_told_so_with_its_fastest_and_slowest(home: Home, bench: VirtualBench, tmp_path: Path):
    code, rows = looked_at(home, tmp_path, 0.35, 50e3)
    assert code == 0, rows
    levels = (0, 64, 128, 255)
    truths = {(a, b): bench.transition(a, b, 0.35)["duration_10_90_s"] for a in levels for b in levels if a != b}
    told = rows["transitions of the plan"]["detail"]
    assert told.startswith("12 of 12 seen, ")
    fastest, slowest = (1e-3 * float(value) for value in re.findall(r"([0-9.]+) ms", told))
    assert fastest == pytest.approx(min(truths.values()), rel=0.1)
    assert slowest == pytest.approx(max(truths.values()), rel=0.1)
    assert bench.hello()["level"] == 0


def test_a_plan_that_samples_too_slowly_or_holds_too_shortly_fails_with_what_to_set(found: BenchFigures):
    seen = Preview((Seen(0, 255, 1.0, 0.004), Seen(255, 0, 1.0, 0.02), Seen(0, 64, 0.05, math.nan)), found.light, 1e-4, 10_000)

    def judged(hold: float, rate: float) -> dict[str, CheckResult]:
        plan = Plan.model_validate(tomllib.loads(PLAN.format(hold=hold, rate=rate)))
        return {r.name: r for r in judge_plan(plan, found, seen)}

    good = judged(0.35, 20e3)
    assert good["sample rate of the plan"].outcome == good["hold of the plan"].outcome == "pass"
    assert good["transitions of the plan"].outcome == "fail"
    assert "0 to 64" in good["transitions of the plan"].detail
    assert judged(0.35, 1e3)["sample rate of the plan"].outcome == "fail"
    assert judged(0.03, 20e3)["hold of the plan"].outcome == "fail"
    assert judged(0.35, 50e3)["record length of the plan"].outcome == "fail"
    assert "hold_s = " in judged(0.03, 20e3)["suggested settings for the plan"].detail


def test_a_plan_only_goes_with_the_whole_bench(home: Home, tmp_path: Path):
    (tmp_path / "plan.toml").write_text(PLAN.format(hold=0.35, rate=50e3))
    assert greystep(home.root, "instruments", "check", "pattern", "--plan", str(tmp_path / "plan.toml")).exit_code == 2
