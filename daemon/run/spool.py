"""The inbox: plans arrive as files, are checked, and become runs by one rename; bad ones are set aside with a reason."""

from __future__ import annotations

import errno
import os
import re
import stat
import time
from collections.abc import Callable
from contextlib import suppress
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
_QUIET_S = 0.5
"""A file that may still be on its way is left alone until it has not changed for so long: half a plan may be a valid plan."""
_SUBMITTED = re.compile(r"[0-9a-z]{26}-[a-z0-9-]+\.toml")
"""Names that `submit` gives: such a file came whole, by one rename."""
_LONGEST_NAME = 180
_YOUNG_S = 60.0
_Stamp = tuple[int, int, int, int]


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

    def __init__(
        self,
        home: Home,
        ids: IdSource,
        failpoints: Failpoints | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._home = home
        self._ids = ids
        self._clock = clock
        self._swept = False
        self.trouble = ""
        """Why something could be neither accepted nor set aside at the last scan."""
        self._seen: dict[str, tuple[_Stamp, float]] = {}
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
        if not self._swept:
            self._sweep()
            self._swept = True
        runs, rejected = [], []
        self.trouble = ""
        names = self.waiting()
        for name in names:
            try:
                run = self._accept_or_reject(self._home.inbox / name)
            except FileNotFoundError:
                continue  # taken back by its owner
            except (GreystepError, OSError) as exc:
                self.trouble = f"{name}: {exc}"  # a full or failing disk: the file stays for the next scan
                continue
            if run:
                runs.append(run)
            elif run is None:
                rejected.append(name)
        self._seen = {name: seen for name, seen in self._seen.items() if name in names}
        return runs, rejected

    def _quiet(self, path: Path, status: os.stat_result) -> bool:
        """Whether the file has come whole. Its own times don't tell: a sync tool may set an old one while it writes."""
        if _SUBMITTED.fullmatch(path.name):
            return True
        stamp = (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)
        seen, since = self._seen.get(path.name, (None, 0.0))
        if seen != stamp:
            self._seen[path.name] = (stamp, self._clock())
            return False
        return self._clock() - since >= _QUIET_S

    def _accept_or_reject(self, path: Path) -> str | None:
        """The new run; empty while the file may still be on its way; None when it was set aside."""
        if not self._quiet(path, path.lstat()):
            return ""
        try:
            return self._accept(path)
        except PlanError as exc:
            self._reject(path, str(exc))
            return None

    def _accept(self, path: Path) -> str:
        source = TomlSource.parse(_text_of(path), path.name, PlanError)
        try:
            bench, _ = self._home.bench()
            area = bench.sensor.patch_area_sr
        except GreystepError:
            area = None  # the bench file's trouble is told when the run starts; the plan is judged as full screen
        plan = check_plan(source, area).plan
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
        name = path.name[-_LONGEST_NAME:]
        target = self._home.rejected / name
        if os.path.lexists(target) or os.path.lexists(target.with_name(f"{name}.reason.txt")):
            target = self._home.rejected / f"{self._ids.new()}-{name}"
        self._fail.hit("spool.reject.before-rename")
        replace_text(target.with_name(target.name + ".reason.txt"), reason + "\n")
        path.rename(target)
        fsync_folder(self._home.rejected)

    def _sweep(self) -> None:
        """Empty run folders are what a crash left between mkdir and rename; a young one may be another process's."""
        for folder in self._home.runs.iterdir():
            with suppress(OSError):
                if time.time() - folder.lstat().st_mtime > _YOUNG_S and not folder.is_symlink():
                    folder.rmdir()  # fails, as it should, on whatever is not an empty folder


def _text_of(path: Path) -> str:
    """Text of a file of the inbox. Links, devices, FIFOs and oversized files are refused unread.

    Raises:
        PlanError: it is no plan.
        FileNotFoundError: it was taken back.
        OSError: the disk fails; the file stays where it is.
    """
    try:
        # Without O_NONBLOCK a FIFO would be waited for; what is looked at is what was opened, so that nothing can be exchanged.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as exc:
        if exc.errno in (errno.ELOOP, errno.ENXIO, errno.EACCES, errno.ENODEV):
            kind = "a link" if path.is_symlink() else f"not readable ({exc.strerror})"
            raise PlanError([Problem(f"is {kind}; only regular files are accepted", path.name)]) from exc
        raise
    status = os.fstat(handle)
    if not stat.S_ISREG(status.st_mode):
        os.close(handle)
        raise PlanError([Problem("is not a regular file; only regular files are accepted", path.name)])
    with os.fdopen(handle, "rb") as stream:
        if status.st_size > MAX_TOML_BYTES:
            raise PlanError([Problem(f"larger than {MAX_TOML_BYTES // 1024} KiB", path.name)])
        raw = stream.read(MAX_TOML_BYTES + 1)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw[: exc.start].count(b"\n") + 1
        raise PlanError([Problem("not UTF-8 text", path.name, line)]) from exc


def load_plan(folder: Path) -> Checked:
    """The plan of an accepted run. Raises PlanError when its file was damaged since."""
    source = TomlSource.read(folder / PLAN, PlanError)
    plan = source.validate(Plan, PlanError)
    from .flash import classify

    return Checked(plan, source, classify(plan))
