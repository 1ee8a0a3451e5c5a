"""The whole attended capture on the virtual bench, with a person's delays and mistakes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from greystep.daemon.archive.archive import Archive
from greystep.daemon.attended.attend import Attended, attend
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.schema.errors import BenchError, PlanError
from greystep.schema.plan import Plan
from greystep.schema.toml_source import TomlSource
from greystep.sim_instruments.testing import VirtualBench

from .operator import Operator

PLAN = """pattern = "manual"
[dut]
model = "Petrel 5"
[[condition]]
refresh_rate_hz = 60.0
[levels]
step = [0, 128, 255]
steady = [0, 64, 128, 255]
[capture]
repeats = 2
hold_s = {hold}
sample_rate_hz = 20000.0
steady_s = 0.1
"""
SPEED = 8


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[VirtualBench]:
    with VirtualBench(panel=getattr(request, "param", "vireth-10x"), speed=SPEED) as running:
        yield running


class Desk:
    """A home and the operator's device."""

    def __init__(self, root: Path, bench: VirtualBench, hold_s: float = 0.3) -> None:
        self.home = Home(root / "home").create()
        self.home.bench_file.write_text(
            '[sensor]\n[instruments.digitiser]\ndriver = "scpi-digitiser"\nresource = "' + bench.resources["digitiser"] + '"\n'
        )
        self.host = PluginHost.load()
        spec = self.host.drivers["scpi-pattern"]
        settings = spec.settings.model_validate({"resource": bench.resources["pattern"]})
        self.resource = bench.resources["pattern"]
        self.device: Any = spec.open(settings, lambda *_: None)
        self.text = PLAN.format(hold=hold_s)

    def attend(self, operator: Operator, repeats: int | None = None) -> Attended:
        plan = TomlSource.parse(self.text, "plan.toml", PlanError).validate(Plan, PlanError)
        try:
            return attend(plan, self.text, self.home, self.host, operator, repeats, idle_s=0.6)
        finally:
            operator.end()

    def captures(self) -> dict[str, Any]:
        archive = Archive(self.home.raw)
        return {c.meta.key: c for c in map(archive.read, archive.scan())}


@pytest.fixture
def desk(tmp_path: Path, bench: VirtualBench) -> Iterator[Desk]:
    made = Desk(tmp_path, bench)
    yield made
    made.device.close()


def duration_10_90_s(light: np.ndarray, interval_s: float) -> float:
    """Between the last crossing of 10 % and the first of 90 %, of the mean of the repeats."""
    mean = light.mean(axis=0)
    part = (mean - mean[:200].mean()) / (mean[-1000:].mean() - mean[:200].mean())
    return float(np.flatnonzero(part > 0.9)[0] - np.flatnonzero(part < 0.1)[-1]) * interval_s


def test_a_person_with_delays_and_mistakes_fills_the_grid(desk: Desk, bench: VirtualBench) -> None:
    operator = Operator(desk.device, settle_s=0.08, mistakes=0.2, stray=(64, 200))
    done = desk.attend(operator)
    assert (done.finished, done.missing) == (True, 0)
    captures = desk.captures()
    assert sorted(captures) == [
        *("c01-steady-000", "c01-steady-064", "c01-steady-128", "c01-steady-255"),
        *("c01-step-000-128", "c01-step-000-255", "c01-step-128-255"),
    ]
    table = {c.from_level[0]: c.channels["light"].values().mean() for k, c in captures.items() if "steady" in k}
    assert [table[v] for v in sorted(table)] == sorted(table.values())
    for key, capture in captures.items():
        assert capture.meta.origin == "attended"
        assert (capture.meta.planned.total, capture.meta.planned.steady_total) == (7, 4)
        if "step" not in key:
            continue
        pairs = list(zip(capture.from_level.tolist(), capture.to_level.tolist(), strict=True))
        low, high = min(pairs[0]), max(pairs[0])
        assert sorted(pairs) == [(low, high)] * 2 + [(high, low)] * 2
        assert capture.start_s == pytest.approx(-0.02, abs=1e-3)
        values = capture.channels["light"].values()
        for pair in set(pairs):
            found = duration_10_90_s(values[[p == pair for p in pairs]], capture.interval_s)
            assert found == pytest.approx(bench.transition(*pair)["duration_10_90_s"], rel=0.02, abs=2 * capture.interval_s)
        for (a, b), row in zip(pairs, values, strict=True):
            assert row[:200].mean() == pytest.approx(table[a], abs=0.03 * table[255])
            assert row[-1000:].mean() == pytest.approx(table[b], abs=0.03 * table[255])


def test_the_session_pauses_and_goes_on_where_it_stopped_and_undo_takes_one_back(desk: Desk) -> None:
    first = Operator(desk.device, settle_s=0.08, script={3: "u", 6: "p"})
    paused = desk.attend(first)
    assert not paused.finished
    assert desk.captures() == {}
    assert any("Undone" in s for s in first.said)
    second = Operator(desk.device, settle_s=0.08)
    done = desk.attend(second)
    assert any("Going on with session" in s for s in second.said)
    assert done.run == paused.run
    assert done.finished
    assert 12 - 6 <= second.accepted <= 12 - 4
    assert len(desk.captures()) == 7
    journal = desk.home.root / "attended" / done.run / "journal.jsonl"
    journal.write_text("".join(journal.read_text().splitlines(keepends=True)[:-1]))  # as if the power had gone just before
    third = Operator(desk.device, settle_s=0.08, script={1: "p"})
    assert desk.attend(third).run != done.run


def test_fewer_repeats_and_an_early_finish_are_noted(desk: Desk) -> None:
    operator = Operator(desk.device, settle_s=0.08, script={1: "r 1", 3: "f"})
    done = desk.attend(operator, repeats=5)
    assert done.finished
    assert done.missing > 0
    steps = [c for k, c in desk.captures().items() if "step" in k]
    assert all(c.meta.planned.repeats >= 1 for c in steps)
    assert any("were not taken" in n for c in steps for n in c.meta.notes) or len(steps) == 3


@pytest.mark.parametrize("bench", ["tessik-5"], indirect=True)
def test_a_display_with_ripple_is_taken_in_free_running_records(desk: Desk) -> None:
    desk.device.apply({"luminance": 30.0})  # dimmed by PWM
    operator = Operator(desk.device, settle_s=0.15)
    done = desk.attend(operator, repeats=1)
    assert done.finished
    assert any("free-running" in s for s in operator.said)
    assert all(np.isfinite(c.channels["light"].values()).all() for c in desk.captures().values())


def test_a_source_without_sync_output_fills_the_grid_by_itself(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.text = desk.text.replace('pattern = "manual"', 'pattern = "driven"')
    desk.home.bench_file.write_text(
        desk.home.bench_file.read_text() + f'[instruments.pattern]\ndriver = "scpi-pattern"\nresource = "{desk.resource}"\n'
    )
    watcher = Operator(desk.device, settle_s=0.0, silent=True)
    with pytest.raises(BenchError, match="has a sync output"):
        desk.attend(watcher)
    monkeypatch.setattr(type(desk.device), "sync_output", False, raising=False)
    done = desk.attend(watcher)
    assert (done.finished, done.missing) == (True, 0)
    captures = desk.captures()
    assert {k: c.segments for k, c in captures.items() if "step" in k} == dict.fromkeys(
        ("c01-step-000-128", "c01-step-000-255", "c01-step-128-255"), 4
    )
    assert all("without a sync output" in c.meta.notes[0] for c in captures.values())
    assert int(desk.device.port.session.query("SOUR:LEV?")) == 0
