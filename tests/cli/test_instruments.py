"""instruments: against the virtual bench over real sockets."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from greystep.daemon.home import Home
from greystep.sim_instruments.testing import VirtualBench

from .bench import greystep, one_line

DIALECT = 'name = "half-done"\n[digitiser]\narm = 3\n'


@pytest.fixture(scope="module")
def bench() -> Iterator[VirtualBench]:
    with VirtualBench(panel="tessik-5", speed="max", seed=3) as bench:
        yield bench


def describe(home: Home, **resources: str) -> None:
    """Write `bench.toml`."""
    lines = ['name = "left"']
    for role, resource in resources.items():
        lines += [f"[instruments.{role}]", f'driver = "scpi-{role}"', f'resource = "{resource}"', "timeout_s = 2.0"]
    home.bench_file.write_text("\n".join(lines))


def test_list_says_who_is_there_and_why_another_one_is_not(home: Home, bench: VirtualBench):
    describe(home, digitiser=bench.resources["digitiser"], power="TCPIP::127.0.0.1::1::SOCKET")
    done = greystep(home.root, "instruments", "list", "--no-search", "--format", "json")
    assert done.exit_code == 3, done.output
    rows = {r["role"]: r for r in json.loads(done.stdout)}
    assert rows["digitiser"]["about"].count(",") == 3
    assert rows["digitiser"]["missing"] == ""
    assert rows["power"]["missing"]
    assert rows["power"]["address"] == "TCPIP::127.0.0.1::1::SOCKET"


def test_check_puts_a_live_instrument_to_the_test(home: Home, bench: VirtualBench):
    describe(home, luminance=bench.resources["luminance"])
    done = greystep(home.root, "instruments", "check", "luminance", "--format", "json")
    assert done.exit_code == 0, done.output
    outcomes = [r["outcome"] for r in json.loads(done.stdout)]
    assert outcomes.count("pass") > 5
    assert "fail" not in outcomes


def test_a_recorded_check_is_an_instrument_again(home: Home, bench: VirtualBench, tmp_path: Path):
    describe(home, luminance=bench.resources["luminance"])
    live = greystep(
        home.root, "instruments", "check", "luminance", "--record", str(tmp_path / "seen.jsonl"), "--format", "json"
    )
    assert live.exit_code == 0, live.output
    home.bench_file.write_text(f'[instruments.luminance]\ndriver = "replay-luminance"\nfile = "{tmp_path / "seen.jsonl"}"\n')
    listed = greystep(home.root, "instruments", "list", "--no-search", "--format", "json")
    assert "Luminance Meter" in json.loads(listed.stdout)[0]["about"], listed.output


def test_recording_takes_one_role(home: Home, tmp_path: Path):
    describe(home)
    for role in ("all", "bench"):
        assert greystep(home.root, "instruments", "check", role, "--record", str(tmp_path / "x.jsonl")).exit_code == 2


def test_check_of_an_instrument_that_speaks_another_role_fails_with_what_was_said(home: Home, bench: VirtualBench):
    describe(home, luminance=bench.resources["power"])
    done = greystep(home.root, "instruments", "check", "luminance")
    assert done.exit_code == 1
    assert "fail" in done.output
    assert "  > " in done.output


def test_check_of_a_role_that_is_not_on_the_bench_is_told_in_one_line(home: Home):
    describe(home)
    done = greystep(home.root, "instruments", "check", "power")
    assert done.exit_code == 2
    assert "instruments.power" in one_line(done)


def test_a_check_that_drives_the_screen_says_the_caution_first(home: Home, bench: VirtualBench):
    describe(home, pattern=bench.resources["pattern"])
    done = greystep(home.root, "instruments", "check", "pattern")
    assert done.exit_code == 0, done.output
    assert "photosensitive seizures" in done.stderr
    assert bench.hello()["level"] == 0


def test_check_while_a_run_is_at_the_bench_is_refused_and_names_it(home: Home, bench: VirtualBench):
    from .bench import process

    describe(home, power=bench.resources["power"])
    with home.lock("bench", "run 01k"):
        done = process(home.root, "instruments", "check", "power")
    assert done.returncode == 1
    assert f"run 01k (process {os.getpid()}) works at this bench" in done.stderr


def test_dialects_of_the_home_are_listed_and_a_bad_one_is_named(home: Home):
    (home.dialects / "half-done.toml").write_text(DIALECT)
    done = greystep(home.root, "instruments", "dialects")
    assert done.exit_code == 3, done.output
    assert "scpi-1999" in done.stdout
    assert "half-done.toml" in done.stderr
