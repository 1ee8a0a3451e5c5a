"""A home, the service as a real process, and the virtual bench: what the durability tests drive."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from hashlib import sha256
from pathlib import Path

from greystep.daemon.archive.archive import Archive
from greystep.daemon.archive.fixity import verify
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.home import Home
from greystep.daemon.run.journal import Journal
from greystep.daemon.run.planned import planned_captures
from greystep.daemon.run.queue import run_folders
from greystep.daemon.run.requests import Request, ask
from greystep.daemon.run.spool import load_plan
from greystep.sim_instruments.testing import VirtualBench

LIMIT_S = 60.0


def plan_text(name: str = "kept", *, repeats: int = 1, hold_s: float = 0.05, extra: str = "", steady_s: float = 0.02) -> str:
    """A short plan of seven captures."""
    return f"""name = "{name}"
flash_acknowledged = true
methods = ["duration-10-90"]
{extra}
[dut]
maker = "Ossaby"
model = "Vireth 10 X"

[[condition]]
refresh_rate_hz = 144.0
overdrive = "normal"

[levels]
step = [0, 128, 255]
steady = [0, 64, 128, 255]

[capture]
repeats = {repeats}
hold_s = {hold_s}
sample_rate_hz = 20e3
steady_s = {steady_s}
"""


CAPTURES = 7


class Laboratory:
    """One home; services are started in it one after another."""

    def __init__(self, root: Path, bench: VirtualBench) -> None:
        self.home = Home(root).create()
        self.bench = bench
        lines = ['name = "virtual"', 'methods = ["duration-10-90"]', 'house_method = "duration-10-90"', "[sensor]"]
        lines += ["bandwidth_hz = 100e3"]
        for role in ("digitiser", "pattern", "luminance"):
            lines += [f"[instruments.{role}]", f'driver = "scpi-{role}"', f'resource = "{bench.resources[role]}"']
        self.home.bench_file.write_text("\n".join(lines))
        self.service: subprocess.Popen[bytes] | None = None

    # Service

    def start(self, *arguments: str, failpoints: str = "", before: Sequence[str] = ()) -> subprocess.Popen[bytes]:
        """Start the service as a person does; `before` is put in front of the command (strace)."""
        command = [sys.executable, "-m", "greystep.daemon", "serve", "--home", str(self.home.root), "--workers", "1"]
        return self._start([*before, *command, *arguments], failpoints)

    def start_bare(self, *, once: bool = True, failpoints: str = "", before: Sequence[str] = ()) -> subprocess.Popen[bytes]:
        """Start the service without pages, which take longer than all the rest."""
        script = (
            "import sys, pathlib, greystep.daemon.service as s, greystep.daemon.home as h, greystep.daemon.options as o\n"
            "if __name__ == '__main__':\n"
            f"    options = o.ServiceOptions(workers=1, once={once}, report=False)\n"
            "    sys.exit(s.serve(h.Home(pathlib.Path(sys.argv[1])), options))\n"
        )
        return self._start([*before, sys.executable, "-c", script, str(self.home.root)], failpoints)

    def _start(self, command: Sequence[str], failpoints: str) -> subprocess.Popen[bytes]:
        with (self.home.root / "terminal.txt").open("ab") as out:
            env = os.environ | {"GREYSTEP_FAILPOINTS": failpoints}
            self.service = subprocess.Popen(command, stdout=out, stderr=out, env=env)
        return self.service

    def stop(self, number: int = signal.SIGTERM) -> int:
        """Signal the service and wait for its end; its exit code."""
        assert self.service is not None
        if self.service.poll() is None:
            self.service.send_signal(number)
        code = self.service.wait(LIMIT_S)
        self.service = None
        return code

    def ended(self, limit_s: float = LIMIT_S) -> int:
        """Wait until the service ended by itself; its exit code."""
        assert self.service is not None
        code = self.service.wait(limit_s)
        self.service = None
        return code

    def wait(self, until: Callable[[], object], what: str, limit_s: float = LIMIT_S) -> None:
        """Wait; fails with the log when it does not come, or the service ends."""
        limit = time.monotonic() + limit_s
        while not until():
            assert self.service is None or self.service.poll() is None, f"service ended: {self.told()}"
            assert time.monotonic() < limit, f"{what} did not come within {limit_s} s: {self.told()}"
            time.sleep(0.02)

    def told(self) -> str:
        """End of what the service said."""
        return (self.home.root / "terminal.txt").read_text(errors="replace")[-3000:]

    # Runs

    def submit(self, text: str | None = None, name: str = "0" * 26 + "-plan.toml") -> None:
        """Put a plan into the inbox as `submit` does: whole."""
        (self.home.inbox / ".part").write_text(text or plan_text())
        (self.home.inbox / ".part").rename(self.home.inbox / name)

    def runs(self) -> list[Path]:
        """Run folders, oldest first."""
        return run_folders(self.home)

    def state(self, index: int = 0) -> str:
        """State of a run; empty when there is none yet."""
        runs = self.runs()
        return Journal(runs[index]).state() if len(runs) > index else ""

    def status(self, index: int = 0) -> dict[str, object]:
        """status.json of a run."""
        try:
            loaded: dict[str, object] = json.loads((self.runs()[index] / "status.json").read_text())
        except (OSError, IndexError, ValueError):
            return {}
        return loaded

    def ask(self, request: Request, index: int = 0) -> None:
        """Leave a request."""
        ask(self.runs()[index], request)

    def captures(self) -> list[str]:
        """Paths in the archive."""
        return list(Archive(self.home.raw).scan())

    def level(self) -> int:
        """What the display shows."""
        return int(self.bench.hello()["level"])

    # Judgement

    def journalled(self, index: int = 0) -> dict[str, str]:
        """Captures that were reported archived: key -> SHA-256."""
        return {e.data["key"]: e.data["sha256"] for e in Journal(self.runs()[index]).entries() if e.event == "captured"}

    def judge_archive(self, *, complete: bool = True) -> None:
        """Each planned capture once, whole and as reported; nothing half; private folders."""
        archive = Archive(self.home.raw)
        paths = list(archive.scan())
        left = [p for p in self.home.raw.rglob("*") if p.name.startswith(".")]
        assert not left, f"temporary files in the archive: {left}"
        for path in paths:
            verdict = verify(archive.file(path), path, archive.listed(archive.file(path).parent).get(path.rpartition("/")[2]))
            assert verdict.ok, verdict
            assert archive.file(path).stat().st_mode & 0o377 == 0, "an archived file can be written or read by others"
        ids = [archive.header(path).meta.id for path in paths]
        assert len(set(ids)) == len(ids)
        for folder in self.runs():
            plan = load_plan(folder).plan
            mine = [p for p in paths if p.split("/")[1] == folder.name]
            keys = sorted(p.rpartition("/")[2].removesuffix(".h5") for p in mine)
            planned = sorted(item.key for item in planned_captures(plan))
            assert len(keys) == len(set(keys))
            if complete and Journal(folder).state() == "finished":
                assert keys == planned, (keys, planned)
            for key, digest in ((e.data["key"], e.data["sha256"]) for e in _captured(folder)):
                file = archive.root / plan.dut.id / folder.name / f"{key}.h5"
                assert sha256(file.read_bytes()).hexdigest() == digest, f"{key} was reported archived and has changed"
        for folder in [p for p in self.home.root.rglob("*") if p.is_dir() and self.home.reports not in (p, *p.parents)]:
            assert folder.stat().st_mode & 0o077 == 0, f"{folder} is open to others"

    def figures(self) -> dict[tuple[str, str, int | None, int | None], tuple[float | None, float | None]]:
        """Figures in the catalogue without ids: quantity and levels -> value and uncertainty, bit for bit."""
        with Catalogue(self.home.catalogue) as catalogue:
            return {
                (m.method, m.figure.quantity, m.figure.from_level, m.figure.to_level): (m.figure.value, m.expanded_uncertainty)
                for m in catalogue.results()
            }


def _captured(folder: Path):
    return [e for e in Journal(folder).entries() if e.event == "captured"]
