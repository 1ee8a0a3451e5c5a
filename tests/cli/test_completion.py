"""The shell completes what the home holds, through the real shells where they are installed; a broken home says nothing."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from greystep.daemon.home import Home

from .bench import process
from .conftest import RUN


def completed(home: Path, *words: str) -> list[str]:
    """What is offered for the last of the words."""
    line = " ".join(("greystep", *words))
    done = process(
        None, GREYSTEP_HOME=str(home), _GREYSTEP_COMPLETE="bash_complete", COMP_WORDS=line, COMP_CWORD=str(len(words))
    )
    assert done.stderr == ""
    return [row.split(",", 1)[1] for row in done.stdout.splitlines() if "," in row]


def test_runs_displays_methods_and_quantities_are_offered(measured: Home) -> None:
    assert completed(measured.root, "results", RUN[:4]) == [RUN]
    assert completed(measured.root, "budget", "lat") == ["latest"]
    assert "duration-10-90" in completed(measured.root, "results", "--method", "dur")
    (display,) = completed(measured.root, "compare", "")
    assert "heron" in display
    assert completed(measured.root, "results", "--dut", display[:3]) == [display]
    assert "overshoot_mean" in completed(measured.root, "results", "--quantity", "overshoot_m")
    assert completed(measured.root, "archive", "bundle", RUN[:4]) == [RUN]


def test_runs_of_the_queue_are_offered_before_they_have_captures(home: Home) -> None:
    (home.runs / RUN).mkdir()
    assert completed(home.root, "pause", RUN[:4]) == [RUN]


def test_a_home_without_a_catalogue_and_a_broken_one_complete_nothing_and_say_nothing(home: Home) -> None:
    assert completed(home.root, "results", "0") == []
    home.catalogue.write_bytes(b"no database at all" * 100)
    assert completed(home.root, "results", "0") == []


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_in_the_shell_itself(measured: Home, shell: str, tmp_path: Path) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed")
    command = tmp_path / "greystep"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m greystep.daemon "$@"\n')
    command.chmod(0o755)
    start = {
        "bash": 'eval "$(greystep completion bash)"; COMP_WORDS=(greystep results 01ka); COMP_CWORD=2; '
        '_greystep_completion greystep; printf "%s\\n" "${COMPREPLY[@]}"',
        "zsh": 'autoload -U compinit; compinit -D; compadd() { print -l -- "$@" }; _describe() { print -l -- ${(P)3} }; '
        'eval "$(greystep completion zsh)"; words=(greystep results 01ka); CURRENT=3; _greystep_completion',
    }[shell]
    environment = {"PATH": f"{tmp_path}:/usr/bin:/bin", "GREYSTEP_HOME": str(measured.root), "HOME": str(tmp_path)}
    done = subprocess.run([shell, "-c", start], capture_output=True, text=True, timeout=60, check=False, env=environment)
    assert RUN in done.stdout, done.stderr
