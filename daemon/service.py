"""The service: the one place where the parts are joined. Runs in the foreground until it is told to stop."""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any, Final, TypeVar

from greystep.daemon import supervisor
from greystep.daemon.analysis.analyst import Analyst
from greystep.daemon.analysis.backend import home_setup
from greystep.daemon.analysis.methods import MethodSet, ResolvedMethod, load_methods, method_files
from greystep.daemon.analysis.pool import Pool
from greystep.daemon.archive.archive import Archive, captures_in
from greystep.daemon.archive.durable import replace_text
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.failpoints import failpoints_from
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.logs import Log
from greystep.daemon.notification import notify as notify_by
from greystep.daemon.options import ServiceOptions
from greystep.daemon.run import requests
from greystep.daemon.run.journal import Journal, utc_now
from greystep.daemon.run.parts import RunnerParts
from greystep.daemon.run.queue import ended_runs, open_runs, reopen_failed, run_folders
from greystep.daemon.run.rig import open_rig, recorded_into
from greystep.daemon.run.runner import Runner
from greystep.daemon.run.spool import Spool
from greystep.daemon.run.status import NAME as STATUS
from greystep.daemon.run.status import PAGES
from greystep.daemon.watch import Watcher
from greystep.daemon.watch.intake import Intake
from greystep.schema.capture import CaptureHeader
from greystep.schema.errors import GreystepError, MethodError
from greystep.schema.ids import IdSource

T = TypeVar("T")
_TURN_S: Final = 0.2
_SPOOL_S: Final = 1.0
_BEAT_S: Final = 1.0
_QUIET_S: Final = 3.0
_RETRY_S: Final = 5.0
_SCAN_TURN_S: Final = 1.0
"""A scan of a large archive leaves the loop so often, for the heartbeat."""


def version() -> str:
    """Version of the installed package."""
    from importlib.metadata import version as installed

    return installed("greystep")


def software() -> dict[str, str]:
    """Versions that are kept with every capture."""
    import platform
    from importlib.metadata import version as installed

    names = ("greystep", "numpy", "h5py", "pyvisa", "pyvisa-py")
    return {name: installed(name) for name in names} | {"python": platform.python_version()}


def methods_of(home: Home, host: PluginHost) -> MethodSet:
    """All methods that can be used in this home."""
    return load_methods(method_files(host.method_files, home.root), host.estimators, host.preparers)


def current_methods(home: Home, host: PluginHost) -> list[ResolvedMethod]:
    """Methods that are computed for new captures: those named in `bench.toml` with the house method, or all."""
    known = methods_of(home, host)
    try:
        bench, _ = home.bench()
        chosen = {*bench.methods, bench.house_method} if bench.methods else set()
        return known.require(*sorted(chosen))
    except MethodError:
        raise
    except GreystepError:
        return list(known.methods.values())


@dataclass
class _State:
    stop: threading.Event = field(default_factory=threading.Event)
    signals: list[int] = field(default_factory=list)
    """Filled by the signal handler, which does nothing else: taking a lock there could wait for itself."""
    runner: threading.Thread | None = None
    current: Runner | None = None
    told_ended: set[str] = field(default_factory=set)
    to_report: list[str] = field(default_factory=list)
    reporting: threading.Thread | None = None
    not_before_s: float = 0.0
    """No run is started earlier: the one before broke in a way that a run must not."""
    troubles: dict[str, str] = field(default_factory=dict)
    """Step of the loop -> what it met last."""
    arrived: dict[str, float] = field(default_factory=dict)
    """Runs that came from elsewhere (imported, copied in) -> when their last capture was noticed."""


class Service:
    """Joins spool, runner, archive, watcher, analysis, catalogue and report. `run` blocks."""

    def __init__(self, home: Home, options: ServiceOptions, *, log: Log | None = None) -> None:
        self.home = home
        self.options = options
        self.log = log or Log(home.logs, terminal=options.terminal)
        self.state = _State()
        self._fail = failpoints_from(os.environ.get("GREYSTEP_FAILPOINTS", ""))
        self.ids = IdSource()
        self.host = PluginHost.load()
        self.archive = Archive(home.raw, self._fail)
        self.spool = Spool(home, self.ids, self._fail)
        self.watcher = Watcher((home.raw, home.inbox), options.observer)
        self._started = time.monotonic()

    def run(self) -> int:
        """Work until told to stop; returns the exit code."""
        for info in self.host.failures:
            self.log("plugin switched off", level="warning", plugin=info.name, package=info.package, reason=info.failure)
        for info in self.host.plugins:
            for remark in info.remarks:
                self.log("plugin uses an old interface", level="warning", plugin=info.name, reason=remark)
        methods = current_methods(self.home, self.host)
        catalogue, renewed = Catalogue.open_or_renew(self.home.catalogue)
        if renewed:
            self.log("catalogue begun anew", level="warning", reason=renewed)
        catalogue.failpoints = self._fail
        pool = Pool(home_setup(self.home.root), self.options.workers)
        # All that have a definition stay in the current view, also those that are only computed when asked for.
        declared = list(methods_of(self.home, self.host).methods.values())
        analyst = Analyst(catalogue, methods, pool, declared=declared).start()
        intake = Intake(
            self.archive, self.home.quarantine, partial(self._accepted, analyst), self.log, known=catalogue.known_paths()
        )
        self.watcher.start()
        self._guarded("going dark", self._go_dark_after_crash)
        self._guarded("sweeping", self._sweep)
        # Who is told of an end was told by the service that saw it; a figure or page that is missing is made in any case.
        self._guarded("looking at ended runs", lambda: self._tell_ended(analyst, intake, notify=False))
        self.log("service started", home=str(self.home.root), version=version(), methods=len(methods), pid=os.getpid())
        supervisor.tell("READY=1")
        try:
            self._loop(analyst, intake)
        finally:
            supervisor.tell("STOPPING=1")
            self.state.stop.set()
            for thread in (self.state.runner, self.state.reporting):
                if thread is not None:
                    thread.join(60)
            self.watcher.stop()
            analyst.close()
            catalogue.close()
            self._beat(analyst, "stopped")
            self.log("service stopped")
            self.log.close()
        return 0

    def _loop(self, analyst: Analyst, intake: Intake) -> None:
        due = dict.fromkeys(("spool", "scan", "beat"), 0.0)
        while not self.state.stop.is_set():
            now = time.monotonic()
            paths, all_over = self.watcher.take()
            if now >= due["spool"] or any(self.home.inbox in p.parents for p in paths):
                self._guarded("looking into the inbox", self._scan_inbox)
                due["spool"] = now + _SPOOL_S
            for path in paths:
                intake.look_at(path)
            if now >= due["scan"] or all_over:
                through = self._guarded("scanning the archive", lambda: intake.scan(_SCAN_TURN_S))
                # The length of the scan itself counts too: a large archive is not scanned without a pause.
                due["scan"] = 0.0 if through is False else time.monotonic() + self.options.scan_s
            self._guarded("going on with the queue", self._keep_running)
            self._guarded("looking at ended runs", lambda: self._tell_ended(analyst, intake))
            self._report_arrived()
            self._guarded("reporting", lambda: self._keep_reporting(analyst))
            if now >= due["beat"]:
                self._beat(analyst, "running")
                due["beat"] = now + _BEAT_S
            self._guarded("obeying a signal", lambda: self._obey_signals(analyst))
            if self.options.once and self._nothing_left(analyst):
                return
            self.watcher.wake.wait(_TURN_S)

    def _guarded(self, step: str, call: Callable[[], T]) -> T | None:
        """Call; whatever it raises is told once and tried again with the next turn. A service for weeks must not end by it."""
        try:
            result = call()
        except Exception as exc:
            text = str(exc) if isinstance(exc, GreystepError) else f"{type(exc).__name__}: {exc}"
            if self.state.troubles.get(step) != text:
                self.state.troubles[step] = text
                self.log(f"trouble while {step}", level="error", error=text)
            return None
        self.state.troubles.pop(step, None)
        return result

    def _sweep(self) -> None:
        """Temporary files that a killed service left in its run folders."""
        for folder in run_folders(self.home):
            self.archive.sweep(folder)
            for raw in self.home.raw.glob(f"*/{folder.name}"):
                self.archive.sweep(raw)

    def _obey_signals(self, analyst: Analyst) -> None:
        while self.state.signals:
            number = self.state.signals.pop(0)
            if hasattr(signal, "SIGHUP") and number == signal.SIGHUP:
                self._reload(analyst)
            else:
                self.state.stop.set()

    def _scan_inbox(self) -> None:
        runs, rejected = self.spool.scan()
        for run in runs:
            self.log("plan accepted", run=run)
        for name in rejected:
            self.log("plan set aside", level="warning", file=name, see=str(self.home.rejected))
        for run in reopen_failed(self.home, self._fail):
            self.state.told_ended.discard(run)
            self.log("run opened again", run=run)
        if self.spool.trouble:
            raise GreystepError(self.spool.trouble)

    def _keep_running(self) -> None:
        if self.state.runner is not None and self.state.runner.is_alive():
            return
        if time.monotonic() < self.state.not_before_s:
            return
        for queued in open_runs(self.home, self.state.told_ended):
            if requests.asked(queued.folder, "cancel"):
                Journal(queued.folder, self._fail).append("cancelled", reason="cancelled by request before it went on")
                requests.take(queued.folder, "cancel", "pause", "resume")
                continue
            if requests.asked(queued.folder, "resume"):
                requests.take(queued.folder, "pause", "resume")
            elif queued.state == "paused" or requests.asked(queued.folder, "pause"):
                continue
            self._start(queued.run)
            return

    def _start(self, run: str) -> None:
        parts = RunnerParts(
            self.home,
            self.host,
            self.archive,
            self.ids,
            shutdown=self.state.stop,
            failpoints=self._fail,
            software=software(),
            log=self.log,
            record=recorded_into(self.options.record),
        )
        runner = Runner(parts, run)
        self.state.current = runner
        self.log("run started", run=run)

        def work() -> None:
            try:
                state = runner.execute()
            except Exception as exc:  # its end could not be written down: it is taken up again, but not at once
                self.state.not_before_s = time.monotonic() + _RETRY_S
                self.log("run broke off", level="error", run=run, error=f"{type(exc).__name__}: {exc}")
                return
            fields: dict[str, Any] = {"run": run, "state": state, "done": runner.status.done, "total": runner.status.total}
            if runner.status.reason:
                fields["reason"] = runner.status.reason
            self.log("run ended", level="warning" if state == "failed" else "info", **fields)

        self.state.runner = threading.Thread(target=work, name="greystep-runner", daemon=True)
        self.state.runner.start()

    def _tell_ended(self, analyst: Analyst, intake: Intake, *, notify: bool = True) -> None:
        alive = self.state.runner is not None and self.state.runner.is_alive()
        running = self.state.current.run if alive and self.state.current else ""
        for run in ended_runs(self.home, self.state.told_ended | {running}):
            if notify:
                self._take_in(run, intake)
            self.state.told_ended.add(run)
            analyst.notify_run_ended(run)
            self._want_page(run)
            if notify:
                self._notify(run)

    def _take_in(self, run: str, intake: Intake) -> None:
        """All captures of a run that has just ended: the analysis hears of its end after them."""
        for raw in sorted(self.home.raw.glob(f"*/{run}")):
            for name in captures_in(raw):
                intake.look_at(raw / name)

    def _notify(self, run: str) -> None:
        if self.options.notify_command:
            notify_by(self.options.notify_command, run, Journal(self.home.runs / run).state(), self.log)

    def _accepted(self, analyst: Analyst, header: CaptureHeader) -> None:
        analyst.notify(header)
        if not (self.home.runs / header.meta.run).exists():
            self.state.arrived[header.meta.run] = time.monotonic()

    def _want_page(self, run: str) -> None:
        """A run gets a page when it has captures and none was written yet; one that failed at the start has nothing to show."""
        if not (self.home.reports / "runs" / run).exists() and any(self.home.raw.glob(f"*/{run}/*.h5")):
            self.state.to_report.append(run)

    def _report_arrived(self) -> None:
        """Runs from elsewhere have no journal that ends them: they get their page when nothing more has come for a while."""
        quiet = [run for run, last in self.state.arrived.items() if time.monotonic() - last > _QUIET_S]
        for run in quiet:
            del self.state.arrived[run]
            self._want_page(run)

    def _keep_reporting(self, analyst: Analyst) -> None:
        if not self.state.to_report or not self.options.report:
            return
        if self.state.reporting is not None and self.state.reporting.is_alive():
            return
        status = analyst.status()
        if status.busy and not status.problem:
            return
        runs, self.state.to_report = self.state.to_report, []

        def work() -> None:
            from greystep.daemon.report import build_report
            from greystep.daemon.report.reporters import run_reporters

            for run in runs:
                try:
                    page = build_report(self.home, run)
                    self.log("report written", run=run, page=str(page))
                    for problem in run_reporters(self.home, self.host, run):
                        self.log("reporter failed", level="error", run=run, error=problem)
                except Exception as exc:  # a page that can't be drawn must not stop the bench
                    self.state.troubles[PAGES] = f"{type(exc).__name__}: {exc}"
                    self.log("report failed", level="error", run=run, error=f"{type(exc).__name__}: {exc}")

        self.state.reporting = threading.Thread(target=work, name="greystep-report", daemon=True)
        self.state.reporting.start()

    def _nothing_left(self, analyst: Analyst) -> bool:
        busy = any(t is not None and t.is_alive() for t in (self.state.runner, self.state.reporting))
        if busy or self.state.arrived or self.spool.waiting() or (self.options.report and self.state.to_report):
            return False
        if any(q.state != "paused" for q in open_runs(self.home, self.state.told_ended)):
            return False
        status = analyst.status()
        return not status.busy and not status.captures_waiting

    def _reload(self, analyst: Analyst) -> None:
        try:
            methods = current_methods(self.home, self.host)
        except GreystepError as exc:
            self.log("methods not read again", level="error", reason=str(exc))
            return
        analyst.use_methods(methods, list(methods_of(self.home, self.host).methods.values()))
        self.log("methods read again", methods=len(methods))

    def _go_dark_after_crash(self) -> None:
        """A killed service could not blank the display: do it first thing when a run had been at the bench."""
        if not any(Journal(p).state() in ("running", "waiting") for p in run_folders(self.home)):
            return
        try:
            # The pattern source alone: another instrument that is off must not keep the display lit.
            rig = open_rig(self.home, self.host, need=("pattern",), others=False)
            trouble = rig.close()
        except GreystepError as exc:
            trouble = str(exc)
        if trouble:
            self.log("the display may not be dark", level="warning", error=trouble)

    def _beat(self, analyst: Analyst, state: str) -> None:
        supervisor.tell("WATCHDOG=1")
        current = self.state.current
        alive = self.state.runner is not None and self.state.runner.is_alive()
        record = {
            "state": state,
            "pid": os.getpid(),
            "utc": utc_now(),
            "uptime_s": round(time.monotonic() - self._started, 1),
            "run": asdict(current.status) if current is not None and alive else None,
            "analysis": asdict(analyst.status()),
            "waiting_plans": len(self.spool.waiting()),
            "troubles": dict(self.state.troubles),
        }
        try:
            replace_text(self.home.root / STATUS, json.dumps(record, indent=1), durable=False)
        except OSError as exc:
            self.log("status can't be written", level="warning", error=str(exc))


def serve(home: Home, options: ServiceOptions | None = None, *, ready: Callable[[Service], None] | None = None) -> int:
    """Run the service in this home until SIGTERM or SIGINT (SIGHUP reads the methods again).

    Raises:
        HomeError: the home can't be written, or another service works in it.
    """
    os.umask(0o077)  # what the service writes is for its owner alone, whatever the shell said
    home.create()
    with home.lock():
        service = Service(home, options or ServiceOptions())

        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGTERM, signal.SIGINT, *((signal.SIGHUP,) if hasattr(signal, "SIGHUP") else ())):
                signal.signal(number, lambda n, _frame: service.state.signals.append(n))
        if ready is not None:
            ready(service)
        return service.run()
