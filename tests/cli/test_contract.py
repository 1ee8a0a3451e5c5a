"""What holds for every command: help with an example, exit codes, one line for an error."""

from __future__ import annotations

import re
import shlex

import click
import pytest
from greystep.daemon.cli import main
from greystep.daemon.cli.root import COMMANDS

from .bench import greystep, one_line, process


def commands(group: click.Command = main, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """Every command and subcommand of the tree."""
    if not isinstance(group, click.Group):
        return [path]
    context = click.Context(group)
    found = [(*path,)] if path else []
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None, name
        found += commands(command, (*path, name))
    return found


ALL = commands()


@pytest.mark.parametrize("path", ALL, ids=" ".join)
def test_every_command_has_help_with_an_example_of_itself(path: tuple[str, ...]):
    done = greystep(None, *path, "--help")
    assert done.exit_code == 0, done.output
    text = " ".join(done.output.split())
    found = re.search(r"Example: (.+)$", text)
    assert found, text
    assert f"greystep {path[0]}" in found[1]


@pytest.mark.parametrize("path", ALL, ids=" ".join)
def test_every_example_has_options_and_commands_that_exist(path: tuple[str, ...]):
    text = " ".join(greystep(None, *path, "--help").output.split())
    example = re.search(r"Example: (.+)$", text)
    assert example
    for part in re.split(r"&&|\||\$\(|\)|>", example[1]):
        words = shlex.split(part.replace('"', " "))
        if words[:1] != ["greystep"]:
            continue
        with main.make_context("greystep", words[1:]) as root:
            command, rest = main, root._protected_args + root.args if hasattr(root, "_protected_args") else root.args
            while isinstance(command, click.Group) and rest:
                _, found, rest = command.resolve_command(root, list(rest))
                assert found is not None
                command = found
            command.make_context(command.name, list(rest), parent=root)


def test_the_list_tells_every_command_in_one_line_that_fits():
    done = greystep(None, "--help")
    for part in COMMANDS.values():
        for name, (_, text) in part.items():
            assert re.search(rf"^  {name} +{re.escape(text)}$", done.output, re.MULTILINE), name


def test_a_mistyped_command_is_wrong_use_and_the_near_one_is_named():
    done = greystep(None, "resluts")
    assert done.exit_code == 2
    assert "did you mean 'results'" in one_line(done)


@pytest.mark.parametrize(("arguments", "near"), [(("status", "--folow"), "--follow"), (("plan", "chek"), "check")])
def test_mistyped_options_and_subcommands_are_wrong_use_and_the_near_ones_are_named(arguments: tuple[str, ...], near: str):
    done = greystep(None, *arguments)
    assert done.exit_code == 2
    assert near in one_line(done)


@pytest.mark.parametrize(
    "arguments",
    [
        ("status",),
        ("results",),
        ("compare",),
        ("report",),
        ("recompute",),
        ("archive", "verify"),
        ("archive", "rebuild"),
        ("cancel", "x"),
        ("budget", "x"),
        ("instruments", "check", "digitiser"),
    ],
    ids=" ".join,
)
def test_without_a_home_commands_fail_in_one_line_that_says_what_to_do(arguments: tuple[str, ...], tmp_path):
    done = greystep(tmp_path / "none", *arguments)
    assert done.exit_code == 1
    assert "greystep demo" in one_line(done)
    assert not (tmp_path / "none").exists()


def test_a_home_that_cannot_be_written_is_told_in_one_line(tmp_path):
    (tmp_path / "file").write_text("not a folder")
    done = greystep(tmp_path / "file", "serve", "--once")
    assert done.exit_code == 1
    assert str(tmp_path / "file") in one_line(done)


def test_a_traceback_is_shown_with_debug_only(tmp_path):
    quiet, loud = process(tmp_path / "none", "status"), process(tmp_path / "none", "status", "--debug")
    assert "Traceback" not in quiet.stderr
    assert "Traceback" in loud.stderr
    assert (quiet.returncode, loud.returncode) == (1, 1)


def test_help_of_the_root_costs_little_more_than_click(tmp_path):
    """The figure of the contract is processor time; here only that no heavy package comes in with any command's help."""
    code = (
        "import sys\nfrom click.testing import CliRunner\nfrom greystep.daemon.cli import main\n"
        "for path in sys.argv[1:]:\n    assert CliRunner().invoke(main, [*path.split(), '--help']).exit_code == 0, path\n"
        "print([m for m in ('pydantic', 'numpy', 'h5py', 'scipy', 'pyvisa', 'altair', 'rich', 'pluggy') if m in sys.modules])"
    )
    import subprocess
    import sys

    done = subprocess.run(
        [sys.executable, "-c", code, *map(" ".join, ALL)], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_version_and_completion_scripts():
    assert re.fullmatch(r"greystep \d+\.\d+.*\n", greystep(None, "--version").output)
    for shell in ("bash", "zsh", "fish"):
        script = greystep(None, "completion", shell)
        assert script.exit_code == 0
        assert "_GREYSTEP_COMPLETE" in script.output


def test_completion_offers_commands_and_options():
    done = process(None, _GREYSTEP_COMPLETE="bash_complete", COMP_WORDS="greystep res", COMP_CWORD="1")
    assert "results" in done.stdout.replace(",", "\n").splitlines()
