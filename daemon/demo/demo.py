"""Run the whole job: virtual bench and service as processes, plans through the inbox, ranking from the catalogue."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from greystep.daemon.archive.archive import Archive
from greystep.daemon.archive.durable import replace_text
from greystep.daemon.home import Home
from greystep.daemon.run.journal import ENDED, Journal
from greystep.daemon.run.queue import run_folders
from greystep.daemon.run.spool import submit
from greystep.daemon.run.status import PAGES, read_status
from greystep.schema.errors import GreystepError
from greystep.schema.ids import IdSource

from .bench_process import BenchProcess
from .scenario import COOPERATIVE, DISPLAYS, DemoDisplay

Progress = Callable[[str, int, int], None]
"""Called with what is being done, captures done, captures in all (0: not known yet)."""
_RUN_LIMIT_S: Final = 600.0
_ANALYSIS_LIMIT_S: Final = 600.0


@dataclass(frozen=True)
class DemoResult:
    """What came of it."""

    home: Home
    runs: tuple[str, ...]
    captures: int
    acquisition_s: float
    total_s: float
    report: Path


def run_demo(
    home: Home,
    *,
    displays: Sequence[DemoDisplay] = DISPLAYS,
    progress: Progress = lambda *_: None,
    workers: int | None = None,
) -> DemoResult:
    """Measure the demo's displays into this home.

    Raises:
        GreystepError: the home holds a bench already, a process did not start, or a run failed.
    """
    home.create()
    if home.bench_file.exists():
        raise GreystepError("this home has a bench already", where=str(home.root), todo="give the demo a new --home")
    begun = time.monotonic()
    with BenchProcess(displays[0].panel, home.bench_file, f"{COOPERATIVE}, virtual bench") as bench:
        service = _start_service(home, workers)
        try:
            runs = [_measure(home, bench, display, service, progress) for display in displays]
            acquired = time.monotonic()
            _wait_for_figures(home, service, runs, progress)
        finally:
            service.terminate()
            try:
                service.wait(60)
            except subprocess.TimeoutExpired:
                service.kill()
                service.wait()
    captures = sum(1 for _ in Archive(home.raw).scan())
    return DemoResult(home, tuple(runs), captures, acquired - begun, time.monotonic() - begun, home.reports / "index.html")


def _start_service(home: Home, workers: int | None) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "greystep.daemon", "--home", str(home.root), "serve", "--quiet"]
    return subprocess.Popen(command + (["--workers", str(workers)] if workers else []))


def _measure(
    home: Home, bench: BenchProcess, display: DemoDisplay, service: subprocess.Popen[bytes], progress: Progress
) -> str:
    bench.ask("mount", panel=display.panel)
    text = home.root / "plans"
    text.mkdir(exist_ok=True)
    plan = text / f"{display.panel}.toml"
    replace_text(plan, display.plan(), durable=False)
    known = {p.name for p in run_folders(home)}
    submit(home, plan, IdSource())
    limit = time.monotonic() + _RUN_LIMIT_S
    name = f"{display.maker} {display.model}"
    while time.monotonic() < limit:
        _require_alive(service, home)
        new = [p for p in run_folders(home) if p.name not in known]
        if new:
            folder = new[-1]
            status = read_status(folder) or {}
            progress(name, int(status.get("done", 0)), int(status.get("total", 0)))
            state = Journal(folder).state()
            if state == "finished":
                return folder.name
            if state in ENDED:
                raise GreystepError(f"the run of {name} ended as {state}: {status.get('reason', '')}", where=str(folder))
        time.sleep(0.1)
    raise GreystepError(f"the run of {name} did not end within {_RUN_LIMIT_S:.0f} s", where=str(home.root))


def _wait_for_figures(home: Home, service: subprocess.Popen[bytes], runs: Sequence[str], progress: Progress) -> None:
    limit = time.monotonic() + _ANALYSIS_LIMIT_S
    while time.monotonic() < limit:
        _require_alive(service, home)
        written = sum((home.reports / "runs" / run).exists() for run in runs)
        progress("figures and pages", written, len(runs))
        trouble = ((read_status(home.root) or {}).get("troubles") or {}).get(PAGES)
        if trouble:
            raise GreystepError(f"the pages could not be written: {trouble}", where=str(home.logs))
        if written == len(runs) and (home.reports / "index.html").exists():
            return
        time.sleep(0.1)
    raise GreystepError(f"the pages were not written within {_ANALYSIS_LIMIT_S:.0f} s", where=str(home.logs))


def _require_alive(service: subprocess.Popen[bytes], home: Home) -> None:
    if service.poll() is not None:
        raise GreystepError(
            f"the service ended with code {service.returncode}",
            where=str(home.root),
            todo=f"see {home.logs / 'greystep.jsonl'}",
        )
