"""The main job over real sockets: a plan dropped in the inbox becomes figures, which are compared with the truth."""

from __future__ import annotations

import json
import math
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from greystep.daemon.archive.archive import Archive
from greystep.daemon.archive.fixity import verify
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.home import Home
from greystep.sim_instruments.testing import VirtualBench

PLAN = """name = "end to end"
flash_acknowledged = true
methods = []

[dut]
maker = "Ossaby"
model = "Vireth 10 X"

[[condition]]
refresh_rate_hz = 144.0
overdrive = "normal"

[levels]
step = [0, 128, 255]
steady = [0, 8, 16, 32, 48, 64, 96, 128, 160, 192, 224, 255]

[capture]
repeats = 3
hold_s = 0.12
sample_rate_hz = 50e3
steady_s = 0.08
"""
LIMIT_S = 100.0


def bench_toml(resources: dict[str, str]) -> str:
    lines = ['name = "virtual"', "[sensor]", "bandwidth_hz = 100e3"]
    for role, resource in resources.items():
        lines += [f"[instruments.{role}]", f'driver = "scpi-{role}"', f'resource = "{resource}"']
    return "\n".join(lines)


class Lab:
    """A home with a running service, and the virtual bench that it measures with."""

    def __init__(self, root: Path, bench: VirtualBench) -> None:
        self.home = Home(root).create()
        self.bench = bench
        self.home.bench_file.write_text(bench_toml(bench.resources))
        self.service = self.start()

    def start(self) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "greystep.daemon", "--home", str(self.home.root), "serve", "--workers", "1"]
        return subprocess.Popen(command, stderr=subprocess.PIPE, text=True)

    def wait(self, until, what: str) -> None:
        limit = time.monotonic() + LIMIT_S
        while not until():
            assert self.service.poll() is None, self.service.stderr.read()
            assert time.monotonic() < limit, f"{what} did not come within {LIMIT_S} s: {self.log()}"
            time.sleep(0.05)

    def log(self) -> str:
        path = self.home.logs / "greystep.jsonl"
        return path.read_text()[-3000:] if path.exists() else ""

    def runs(self) -> list[Path]:
        return sorted(p for p in self.home.runs.iterdir() if (p / "status.json").exists())

    def stop(self) -> int:
        self.service.send_signal(signal.SIGTERM)
        code = self.service.wait(60)
        self.service.stderr.close()
        return code


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    with VirtualBench(panel="vireth-10x", speed="max", seed=7) as bench:
        made = Lab(tmp_path_factory.mktemp("home"), bench)
        (made.home.inbox / "dropped by hand.toml").write_text(PLAN)

        def reported() -> bool:
            runs = made.runs()
            return bool(runs) and (made.home.reports / "runs" / runs[0].name).exists()

        try:
            made.wait(reported, "the report")
            yield made
        finally:
            code = made.stop()
    assert code == 0


def figures(lab: Lab, method: str, quantity: str):
    with Catalogue(lab.home.catalogue) as catalogue:
        return [m for m in catalogue.results(Filter(method=(method,))) if m.figure.quantity == quantity]


@pytest.mark.timeout(200)
def test_a_plan_dropped_in_the_inbox_becomes_every_planned_capture(lab: Lab):
    status = json.loads((lab.runs()[0] / "status.json").read_text())
    assert (status["state"], status["done"], status["total"]) == ("finished", 15, 15), status
    archive = Archive(lab.home.raw)
    paths = list(archive.scan())
    assert len(paths) == 15
    for path in paths:
        assert verify(archive.file(path), path, archive.listed_sha256(path)).ok
    capture = archive.read(next(p for p in paths if "step-000-255" in p))
    assert capture.plan_text == PLAN
    assert any("INIT" in line for line in capture.dialogue)
    first = archive.read(paths[0])
    assert any("*IDN?" in line for line in first.dialogue), "the opening of the bench stands in the first capture"
    assert {i.role for i in capture.meta.instruments} >= {"digitiser", "pattern", "luminance"}


@pytest.mark.parametrize(
    ("method", "truth_key", "relative"),
    [
        ("duration-10-90", "duration_10_90_s", 0.01),
        ("band-first-entry", "code_first_entry_duration_s", 0.03),
        ("band-settled", "code_settled_duration_s", 0.03),
    ],
)
@pytest.mark.timeout(200)
def test_measured_durations_are_the_truth(lab: Lab, method: str, truth_key: str, relative: float):
    found = figures(lab, method, "transition_duration")
    assert len(found) == 6
    for m in found:
        f = m.figure
        truth = lab.bench.transition(f.from_level, f.to_level)[truth_key]
        assert f.value == pytest.approx(truth, rel=relative), (f.from_level, f.to_level, truth, f)
        assert 0 < m.expanded_uncertainty < 0.2 * f.value


@pytest.mark.timeout(200)
def test_overshoot_is_the_truth(lab: Lab):
    for m in figures(lab, "duration-10-90", "overshoot"):
        truth = lab.bench.transition(m.figure.from_level, m.figure.to_level)["overshoot_percent"] / 100
        assert m.figure.value == pytest.approx(truth, abs=0.006), m.figure


@pytest.mark.timeout(200)
def test_the_panel_is_dark_after_the_run(lab: Lab):
    assert lab.bench.hello()["level"] == 0


@pytest.mark.timeout(200)
def test_a_bad_plan_is_set_aside_with_its_reasons_and_the_service_lives(lab: Lab):
    (lab.home.inbox / "bad.toml").write_text(PLAN.replace("repeats = 3", "repeats = 'three'\ncolour = 1"))
    reason = lab.home.rejected / "bad.toml.reason.txt"
    lab.wait(reason.exists, "the reason file")
    text = reason.read_text()
    assert "bad.toml:18: capture.repeats" in text
    assert "capture.colour: unknown key" in text
    assert (lab.home.rejected / "bad.toml").exists()


@pytest.mark.timeout(200)
def test_a_second_service_on_the_same_home_is_refused_in_one_line(lab: Lab):
    command = [sys.executable, "-m", "greystep.daemon", "--home", str(lab.home.root), "serve"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1
    assert len(done.stderr.strip().splitlines()) == 1
    assert "works in this home" in done.stderr


@pytest.mark.timeout(200)
def test_traces_from_elsewhere_get_their_figures_and_page_from_the_running_service(lab: Lab, tmp_path: Path):
    # Exponential of 5 ms: 10-90 duration ln(9) * 5 ms (closed form).
    lines = ["time_s,v1,v2"]
    for i in range(4000):
        t = i * 5e-5
        v = 0.2 + (2.0 * -math.expm1(-(t - 0.05) / 5e-3) if t > 0.05 else 0.0)
        lines.append(f"{t:.6f},{v + 1e-3 * math.sin(i * 12.9898):.6f},{v + 1e-3 * math.sin(i * 78.233):.6f}")
    (tmp_path / "rise.csv").write_text("\n".join(lines))
    (tmp_path / "manifest.toml").write_text(
        '[dut]\nmodel = "Recorded Elsewhere"\n[condition]\nrefresh_rate_hz = 60.0\n[[capture]]\nkind = "step"\n'
        'from_level = 0\nto_level = 255\nfile = "rise.csv"\ntime = "time_s"\nlight = ["v1", "v2"]\n'
    )
    before = {p.name for p in (lab.home.reports / "runs").iterdir()}
    command = [sys.executable, "-m", "greystep.daemon", "--home", str(lab.home.root), "import", str(tmp_path / "manifest.toml")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr

    def page() -> bool:
        return any(p.name not in before for p in (lab.home.reports / "runs").iterdir() if not p.name.startswith("."))

    lab.wait(page, "the page of the import")
    found = [m for m in figures(lab, "duration-10-90", "transition_duration") if "recorded-elsewhere" in m.dut]
    assert [m.figure.value for m in found] == [pytest.approx(math.log(9) * 5e-3, rel=0.01)]
    assert "imported" in found[0].figure.flags


@pytest.mark.timeout(120)
def test_a_run_that_fails_before_its_first_capture_is_told_and_leaves_no_other_trouble(tmp_path: Path):
    home = Home(tmp_path / "home").create()
    nobody = "TCPIP::127.0.0.1::9::SOCKET"  # the discard port: nobody listens
    home.bench_file.write_text(bench_toml({"digitiser": nobody, "pattern": nobody}))
    (home.inbox / "plan.toml").write_text(PLAN)
    command = [sys.executable, "-m", "greystep.daemon", "--home", str(home.root), "serve", "--once", "--workers", "1"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=100, check=False)
    run = next(home.runs.iterdir())
    status = json.loads((run / "status.json").read_text())
    assert status["state"] == "failed"
    assert nobody in status["reason"]
    assert "report failed" not in done.stderr
    assert json.loads((home.root / "status.json").read_text())["troubles"] == {}
