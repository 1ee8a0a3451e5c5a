"""The inbox: plans arrive as files, are checked, and become runs by one rename; bad ones are set aside with a reason."""

from __future__ import annotations

import os
import stat
import time
from dataclasses import dataclass
from pathlib import Path

from greystep.daemon.archive.durable import fsync_folder, replace_text
from greystep.daemon.failpoints import Failpoints, NoFailpoints
from greystep.daemon.home import Home
from greystep.schema.errors import GreystepError, PlanError, Problem
from greystep.schema.ids import IdSource, slug
from greystep.schema.plan import Plan
from greystep.schema.toml_source import MAX_TOML_BYTES, TomlSource

from .flash import FlashClass, require_acknowledged
from .journal import Journal

PLAN = "plan.toml"
_QUIET_S = 1.0
"""A file that a sync tool may still be writing is left alone until it was quiet for so long, unless it is a whole plan."""


@dataclass(frozen=True)
class Checked:
    """A plan that can be carried out, as far as the text tells."""

    plan: Plan
    source: TomlSource
    flash: FlashClass


def check_plan(source: TomlSource, area_sr: float | None = None) -> Checked:
    """Check a plan's text. Raises PlanError with every problem at its line."""
    plan = source.validate(Plan, PlanError)
    return Checked(plan, source, require_acknowledged(plan, source, area_sr))


def check_plan_file(path: Path, area_sr: float | None = None) -> Checked:
    """Check a plan file; see `check_plan`."""
    return check_plan(TomlSource.read(path, PlanError), area_sr)


def submit(home: Home, path: Path, ids: IdSource | None = None) -> tuple[str, Checked]:
    """Check a plan and put it into the inbox by an atomic rename. Returns its name there.

    Raises:
        PlanError: the plan can't be used; nothing was placed.
    """
    bench, _ = home.bench()
    checked = check_plan_file(path, bench.sensor.patch_area_sr)
    name = f"{(ids or IdSource()).new()}-{slug(checked.plan.name, fallback='plan')}.toml"
    replace_text(home.inbox / name, checked.source.text)
    return name, checked


class Spool:
    """Turns files of the inbox into runs. One owner: the service."""

    def __init__(self, home: Home, ids: IdSource, failpoints: Failpoints | None = None) -> None:
        self._home = home
        self._ids = ids
        self._fail = failpoints or NoFailpoints()

    def waiting(self) -> list[str]:
        """Names of the plans in the inbox, oldest name first."""
        try:
            with os.scandir(self._home.inbox) as entries:
                return sorted(e.name for e in entries if not e.name.startswith(".") and e.name != "rejected")
        except FileNotFoundError:
            return []

    def scan(self) -> tuple[list[str], list[str]]:
        """Accept or set aside everything that is ready. Returns the new runs and the names that were set aside."""
        self._sweep()
        runs, rejected = [], []
        for name in self.waiting():
            try:
                run = self._accept(self._home.inbox / name)
            except GreystepError as exc:
                self._reject(self._home.inbox / name, str(exc))
                rejected.append(name)
                continue
            except FileNotFoundError:
                continue  # taken back by its owner
            if run:
                runs.append(run)
        return runs, rejected

    def _accept(self, path: Path) -> str | None:
        status = path.lstat()
        if not stat.S_ISREG(status.st_mode):
            kind = "a link" if stat.S_ISLNK(status.st_mode) else "not a regular file"
            raise PlanError([Problem(f"is {kind}; only regular files are accepted", path.name)])
        if status.st_size > MAX_TOML_BYTES:
            raise PlanError([Problem(f"larger than {MAX_TOML_BYTES // 1024} KiB", path.name)])
        try:
            bench, _ = self._home.bench()
            area = bench.sensor.patch_area_sr
        except GreystepError:
            area = None  # the bench file's trouble is told when the run starts; the plan is judged as full screen
        try:
            plan = check_plan_file(path, area).plan
        except PlanError:
            if time.time() - status.st_mtime < _QUIET_S:
                return None
            raise
        run = self._ids.new()
        folder = self._home.runs / run
        folder.mkdir(mode=0o700)
        fsync_folder(self._home.runs)
        self._fail.hit("spool.accept.before-rename")
        path.rename(folder / PLAN)  # the one step that makes it a run
        self._fail.hit("spool.accept.after-rename")
        fsync_folder(folder)
        fsync_folder(self._home.inbox)
        Journal(folder, self._fail).append("accepted", plan=plan.name, file=path.name, dut=plan.dut.id)
        self._fail.hit("spool.accept.after-plan")
        return run

    def _reject(self, path: Path, reason: str) -> None:
        name = path.name
        target = self._home.rejected / name
        if os.path.lexists(target):
            target = self._home.rejected / f"{self._ids.new()}-{name}"
        self._fail.hit("spool.reject.before-rename")
        replace_text(target.with_name(target.name + ".reason.txt"), reason + "\n")
        path.rename(target)
        fsync_folder(self._home.rejected)

    def _sweep(self) -> None:
        """Run folders without a plan are what a crash left between mkdir and rename."""
        for folder in self._home.runs.iterdir():
            if folder.is_dir() and not (folder / PLAN).exists() and not any(folder.iterdir()):
                folder.rmdir()


def load_plan(folder: Path) -> Checked:
    """The plan of an accepted run. Raises PlanError when its file was damaged since."""
    source = TomlSource.read(folder / PLAN, PlanError)
    plan = source.validate(Plan, PlanError)
    from .flash import classify

    return Checked(plan, source, classify(plan))
