"""The bench as a program: starting, announcing itself, ending; and any VISA client can talk to it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import numpy as np
import pytest
from greystep.schema.bench import Bench
from greystep.sim_instruments.panel.catalogue import PANELS
from greystep.sim_instruments.testing import VirtualBench

COMMAND = (sys.executable, "-m", "greystep.sim_instruments")


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*COMMAND, *arguments], capture_output=True, text=True, timeout=30, check=False)


def test_help_shows_an_example_and_list_the_displays() -> None:
    assert "example:" in run("--help").stdout
    listed = run("--list").stdout
    assert all(spec.name in listed and spec.maker in listed for spec in PANELS)


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (("--panel", "nobody"), 2, "no display 'nobody'; known: olmara-20"),
        (("--speed", "0"), 2, "speed must be a positive number"),
        (("--speed", "quick"), 2, "quick"),
        (("--nonsense",), 2, "unrecognized arguments"),
        (("--host", "203.0.113.1"), 1, "virtual bench:"),  # an address of documentation, never ours
    ],
)
def test_wrong_use_is_one_line(arguments: tuple[str, ...], code: int, message: str) -> None:
    ended = run(*arguments)
    assert ended.returncode == code
    assert message in ended.stderr
    assert "Traceback" not in ended.stderr


def test_ready_file_has_what_is_printed_and_sigterm_ends_it(tmp_path: Path) -> None:
    ready = tmp_path / "bench.json"
    with subprocess.Popen([*COMMAND, "--ready-file", str(ready)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        printed = json.loads(process.stdout.readline())
        assert json.loads(ready.read_text()) == printed
        assert printed["pid"] == process.pid
        assert set(printed["resources"]) == {"digitiser", "pattern", "luminance", "power", "temperature"}
        assert os.listdir(tmp_path) == ["bench.json"]
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0


def test_port_in_use_is_one_line() -> None:
    with VirtualBench() as bench:
        _, port = bench.address("pattern")
        ended = run("--pattern-port", str(port))
        assert ended.returncode == 1
        assert "in use" in ended.stderr


def test_it_ends_when_its_parent_is_gone() -> None:
    parent = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    process = subprocess.Popen([*COMMAND, "--parent-pid", str(parent.pid)], stdout=subprocess.PIPE)
    with parent, process:
        assert process.stdout is not None
        process.stdout.readline()
        parent.kill()
        parent.wait()
        assert process.wait(10) == 0


def test_it_ends_when_standard_input_is_closed_and_when_it_is_told_to() -> None:
    bench = VirtualBench().start()
    assert bench.stop() == 0
    bench = VirtualBench().start()
    bench.side_door.ask("stop")
    assert bench.stop() == 0


def test_starting_is_quick() -> None:
    times = []
    for _ in range(3):
        start = time.monotonic()
        with VirtualBench():
            times.append(time.monotonic() - start)
    print("start-up times, s:", times)
    assert min(times) < 1.5  # about 0.25 s on a quiet machine


def test_one_process_serves_several_displays() -> None:
    with VirtualBench(panel="olmara-20") as bench:
        slow = bench.transition(0, 255)
        bench.mount("quandle-27")
        assert bench.hello()["panel"] == "quandle-27"
        assert bench.transition(0, 255)["code_first_entry_duration_s"] < 0.02 * slow["code_first_entry_duration_s"]
        with pytest.raises(RuntimeError, match="no display 'x'"):
            bench.mount("x")


def test_any_visa_client_can_read_a_block(bench: VirtualBench) -> None:
    pyvisa = pytest.importorskip("pyvisa")
    manager = pyvisa.ResourceManager("@py")
    session = manager.open_resource(bench.resources["digitiser"], read_termination="\n", write_termination="\n")
    try:
        assert "Digitiser" in session.query("*IDN?")
        session.write("*RST;:SWE:POIN 3000;TINT 1E-5;:INIT")
        assert session.query("*OPC?") == "1"
        codes = session.query_binary_values("TRAC? 1", datatype="h", is_big_endian=True, container=np.array)
        assert codes.shape == (3000,)
        assert session.query("SYST:ERR?") == '0,"No error"'
    finally:
        session.close()
        manager.close()


def test_bench_file_is_a_bench_that_the_service_reads_and_nobody_elses_is_overwritten(tmp_path: Path) -> None:
    home = tmp_path / "practice"
    for _ in range(2):  # a second start writes its own file again: the ports are new ones
        with subprocess.Popen(
            [*COMMAND, "--bench-file", str(home / "bench.toml")], stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout is not None
            printed = json.loads(process.stdout.readline())
            bench = Bench.model_validate(tomllib.loads((home / "bench.toml").read_text()))
            named = {role: entry.settings()["resource"] for role, entry in bench.instruments.items()}
            assert named == printed["resources"]
            process.terminate()
            assert process.wait(10) == 0
    (home / "bench.toml").write_text('name = "my own"\n')
    refused = run("--bench-file", str(home / "bench.toml"))
    assert refused.returncode == 2
    assert "is not the virtual bench's" in refused.stderr
    assert (home / "bench.toml").read_text() == 'name = "my own"\n'
