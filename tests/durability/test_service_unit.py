"""The printed unit is one that systemd accepts, whatever the paths are called, and the service speaks its language."""

from __future__ import annotations

import configparser
import plistlib
import shutil
import socket
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner
from greystep.daemon import supervisor
from greystep.daemon.cli.service_unit import service_unit
from greystep.daemon.system.launchd import agent
from greystep.daemon.system.systemd import unit
from greystep.schema.errors import GreystepError

from .laboratory import Laboratory

ODD = Path('/srv/my bench/100% "new" $HOME')


def test_the_unit_confines_notifies_and_is_watched():
    parsed = configparser.RawConfigParser(strict=False)
    parsed.optionxform = str
    parsed.read_string(unit(Path("/usr/bin/greystep"), Path("/srv/bench")))
    service = parsed["Service"]
    assert service["Type"] == "notify"
    assert int(service["WatchdogSec"]) >= 30
    assert service["ReadWritePaths"] == '"/srv/bench"'
    assert service["ProtectSystem"] == "strict"
    assert service["ExecStart"] == '"/usr/bin/greystep" serve --quiet --home "/srv/bench"'
    assert service["UMask"] == "0077"


def test_compiled_loops_are_kept_where_the_confined_service_may_write():
    text = unit(Path("/usr/bin/greystep"), Path("/srv/bench"))
    assert "CacheDirectory=greystep" in text
    assert "Environment=NUMBA_CACHE_DIR=%C/greystep" in text


def test_odd_paths_are_quoted():
    text = unit(Path("/usr/bin/greystep"), ODD)
    assert '--home "/srv/my bench/100%% \\"new\\" $$HOME"' in text
    assert 'ReadWritePaths="/srv/my bench/100%% \\"new\\" $HOME"' in text


@pytest.mark.parametrize("home", [Path("relative"), Path("/a\nExecStartPre=/bin/sh")])
def test_paths_that_could_end_a_line_are_refused(home: Path):
    with pytest.raises(GreystepError, match="can't stand in a unit"):
        unit(Path("/usr/bin/greystep"), home)


def test_account_names_can_not_smuggle_lines():
    with pytest.raises(GreystepError, match="no account name"):
        unit(Path("/usr/bin/greystep"), Path("/srv"), "root\nExecStartPre=/bin/sh")


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_systemd_accepts_it(tmp_path: Path):
    path = tmp_path / "greystep.service"
    path.write_text(unit(Path("/bin/true"), Path("/tmp")))
    done = subprocess.run(["systemd-analyze", "verify", path], capture_output=True, text=True, check=False)
    assert "greystep.service" not in done.stderr, done.stderr


def test_the_agent_is_a_property_list():
    made = plistlib.loads(agent(Path("/usr/bin/greystep"), ODD).encode())
    assert made["ProgramArguments"][-1] == str(ODD)
    assert made["KeepAlive"] == {"SuccessfulExit": False}


@pytest.mark.parametrize(("manager", "word"), [("systemd", "[Service]"), ("launchd", "<plist")])
def test_the_command_prints_it(tmp_path: Path, manager: str, word: str):
    done = CliRunner().invoke(service_unit, ["--manager", manager, "--home", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert word in done.output
    assert str(tmp_path) in done.output


def test_the_service_tells_the_manager_that_it_is_ready_alive_and_stopping(laboratory: Laboratory, monkeypatch):
    address = laboratory.home.root / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        laboratory.start_bare(once=False)
        said = [manager.recv(100)]
        while said.count(b"WATCHDOG=1") < 2:
            said.append(manager.recv(100))
        assert laboratory.stop() == 0
        manager.settimeout(0.5)
        while said[-1] != b"STOPPING=1":
            said.append(manager.recv(100))
    assert said[0] == b"READY=1"


def test_without_a_manager_nothing_is_said(monkeypatch):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not supervisor.tell("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere/at/all")
    assert not supervisor.tell("READY=1")
