"""Carry out one run: take every planned capture that is not in the archive yet, and leave the display dark."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from typing import Any, Final, TypeVar

import tenacity
from greystep.daemon.archive.durable import fsync_folder
from greystep.daemon.archive.reading import archived_light
from greystep.schema.capture import Capture, CaptureHeader, CaptureMeta
from greystep.schema.errors import (
    ArchiveError,
    GreystepError,
    HomeError,
    InstrumentError,
    NoRoomError,
    PlanError,
    Problem,
    RefusedError,
)
from greystep.schema.flags import SegmentFlag
from greystep.schema.plan import Plan
from greystep.schema.roles import has_sync_output

from . import acquire, requests
from .flash import CAUTION
from .journal import Journal, State, utc_now
from .parts import RunnerParts
from .planned import PlannedCapture, bytes_needed, planned_captures
from .rig import KEEP_ALIVE_S, Rig, open_rig
from .session import Session
from .spool import Checked, load_plan
from .status import RunStatus
from .writing import ArchiveWriter

T = TypeVar("T")
_TRIES: Final = 3
_REFUSED_TRIES: Final = 2
_RESERVE_BYTES: Final = 50_000_000
"""Room that is left for journals and the catalogue."""
_LOOK_S: Final = 0.25


def _enough(state: tenacity.RetryCallState) -> bool:
    """Whether to give up. What an instrument refuses is tried once more only: an old error of its queue may have spoken."""
    refused = state.outcome is not None and isinstance(state.outcome.exception(), RefusedError)
    return state.attempt_number >= (_REFUSED_TRIES if refused else _TRIES)


class _Ended(Exception):  # noqa: N818 - an outcome, not an error
    """The run was asked to end."""

    def __init__(self, state: State, reason: str = "") -> None:
        self.state: State = state
        self.reason = reason


class Runner:
    """One run. `execute` returns its state: finished, failed, cancelled, paused, or running when the service stops."""

    def __init__(self, parts: RunnerParts, run: str) -> None:
        self.parts = parts
        self.run = run
        self.folder = parts.home.runs / run
        self.journal = Journal(self.folder, parts.failpoints)
        self.status = RunStatus(run, "", "", "queued")
        self._needed = _RESERVE_BYTES
        self._pace: list[tuple[float, float]] = []

    def execute(self) -> State:
        """Go on with the run where it stopped."""
        try:
            checked = load_plan(self.folder)
        except GreystepError as exc:
            return self._end("failed", str(exc))
        plan = checked.plan
        items = planned_captures(plan)
        try:
            done = self._done(plan)
        except (GreystepError, OSError) as exc:
            return self._end("failed", str(exc))
        self.status = RunStatus(
            self.run,
            plan.name,
            plan.dut.id,
            "running",
            done=len(done & {i.key for i in items}),
            total=len(items),
            caution=f"{checked.flash.reason}. {CAUTION}" if checked.flash.above_threshold else "",
            priority=plan.priority,
        )
        left = [i for i in items if i.key not in done]
        self.parts.failpoints.hit("run.begin")
        try:
            if left:
                self._take_all(checked, left)
        except _Ended as ended:
            return self._end(ended.state, ended.reason)
        except GreystepError as exc:
            return self._end(*self._ended_by(exc))
        except Exception as exc:
            # A bug must not leave the run open for ever, nor a bright pattern on the display (the rig is closed by now).
            self.parts.log("run broke", run=self.run, error=f"{type(exc).__name__}: {exc}", level="error")
            return self._end("failed", f"internal error: {type(exc).__name__}: {exc}")
        return self._end("finished")

    def _ended_by(self, exc: GreystepError) -> tuple[State, str]:
        """A run that was asked to stop has not failed, though the stop met it in trouble."""
        try:
            self._stop_if_asked()
        except _Ended as ended:
            return ended.state, ended.reason
        return "failed", str(exc)

    def _done(self, plan: Plan) -> set[str]:
        """Keys of the captures that are in the archive: the files are the truth, not the journal."""
        folder = self.parts.archive.run_folder(plan.dut.id, self.run)
        self.parts.archive.sweep(folder)
        fsync_folder(folder)  # a crash may have come between a rename and its fsync
        return {p.stem for p in folder.glob("*.h5") if not p.name.startswith(".")}

    def _take_all(self, checked: Checked, left: list[PlannedCapture]) -> None:
        self._stop_if_asked()
        self._needed = bytes_needed(checked.plan) * len(left) // max(self.status.total, 1)
        self._wait_for_room(self._needed)
        with self._at_the_bench():
            self._take_all_there(checked, left)

    def _take_all_there(self, checked: Checked, left: list[PlannedCapture]) -> None:
        self._note("started", left=len(left), total=self.status.total)
        self._write_status()
        rig = self._retrying(
            lambda: open_rig(self.parts.home, self.parts.host, record=self.parts.record), "opening the bench", lambda: None
        )
        session = Session(rig, checked.plan, checked.source.text, stop=self._stopping)
        writer = ArchiveWriter(self.parts.archive, self._archived, self._disk_full)
        try:
            self._retrying(lambda: self._check_roles(checked.plan, rig), "asking what the bench can do", rig.recover)
            self._remember_light(session)
            self._retrying(lambda: self._keep_alive(session), "setting the dead-man time-out", rig.recover)
            self._take_each(session, left, writer)
        finally:
            trouble = rig.close()
            if trouble:
                self.parts.log("the display may not be dark", run=self.run, error=trouble, level="error")
            writer.close()

    @contextmanager
    def _at_the_bench(self) -> Iterator[None]:
        """Alone with the instruments: an attended capture or a check in progress is waited for."""
        told = False
        with ExitStack() as held:
            while True:
                try:
                    held.enter_context(self.parts.home.lock("bench", f"run {self.run}"))
                    break
                except HomeError as exc:
                    if not told:
                        self._note("waiting", reason=exc.what)
                    told = True
                    self._wait(exc.what)
                    self._stop_if_asked()
            yield

    def _take_each(self, session: Session, left: list[PlannedCapture], writer: ArchiveWriter) -> None:
        applied = ""
        for index, item in enumerate(left):
            self._stop_if_asked()
            if item.group != applied:
                self._retrying(partial(session.rig.pattern.apply, item.condition.driven()), item.key, session.rig.recover)
                if applied or index:
                    session.seen.by_level.clear()  # another condition, another light
                applied = item.group
            self.status.current = item.key
            self._write_status(left[index:])
            self.parts.failpoints.hit("run.capture.before-acquire")
            begun = time.monotonic()
            capture = self._take(session, item)
            self._pace.append((time.monotonic() - begun, item.estimate_s))
            self.parts.failpoints.hit("run.capture.after-acquire")
            if item.kind == "trend":
                self._stop_if_asked()  # a warm-up that was cut short is begun again when the run goes on
            writer.put(capture, lambda: self._darken(session.rig))

    @staticmethod
    def _keep_alive(session: Session) -> None:
        session.rig.pattern.keep_alive(max(KEEP_ALIVE_S, 4 * session.plan.capture.hold_s))

    def _darken(self, rig: Rig) -> None:
        if trouble := rig.go_dark():
            self.parts.log("the display may not be dark", run=self.run, error=trouble, level="error")

    def _take(self, session: Session, item: PlannedCapture) -> Capture:
        tries = 0

        def attempt() -> Capture:
            nonlocal tries
            tries += 1
            if tries > 1:
                self._keep_alive(session)  # an instrument that was switched off and on has forgotten it
                session.rig.pattern.apply(item.condition.driven())
            return acquire.take(session, item, self._meta(session, item, tries))

        return self._retrying(attempt, item.key, session.rig.recover)

    def _retrying(self, call: Callable[[], T], what: str, recover: Callable[[], None]) -> T:
        """Call with bounded retries after a failing instrument; recovery in between."""

        def before_sleep(state: tenacity.RetryCallState) -> None:
            exc = state.outcome.exception() if state.outcome else None
            self.status.retries += 1
            self.parts.log("retry", run=self.run, step=what, tries=state.attempt_number, error=str(exc), level="warning")
            self._note("retry", step=what, error=str(exc))
            try:
                recover()
            except GreystepError as again:
                self.parts.log("recovery failed", run=self.run, step=what, error=str(again), level="warning")

        policy = tenacity.Retrying(
            stop=_enough,
            wait=tenacity.wait_exponential(multiplier=self.parts.retry_wait_s, max=30),
            retry=tenacity.retry_if_exception_type(InstrumentError),
            before_sleep=before_sleep,
            sleep=self._pause,
            reraise=True,
        )
        return policy(call)

    def _pause(self, seconds: float) -> None:
        self.parts.shutdown.wait(seconds)
        self._stop_if_asked()

    def _meta(self, session: Session, item: PlannedCapture, tries: int) -> CaptureMeta:
        plan, bench = session.plan, session.rig.bench
        return CaptureMeta(
            id=self.parts.ids.new(),
            run=self.run,
            key=item.key,
            kind=item.kind,
            group=item.group,
            dut=plan.dut,
            condition=item.condition,
            sensor=bench.sensor,
            bits=plan.levels.bits,
            bench=bench.name,
            operator=plan.operator or bench.operator,
            started_utc=utc_now(),
            started_monotonic_s=time.monotonic(),
            planned=item.place,
            notes=(f"taken after {tries - 1} failed tries",) if tries > 1 else (),
            software=self.parts.software,
        )

    def _check_roles(self, plan: Plan, rig: Rig) -> None:
        if not has_sync_output(rig.pattern):
            raise PlanError(
                [Problem("the pattern source has no sync output to trigger on", "plan.toml")],
                todo="take this plan with 'greystep capture'",
            )
        bits = rig.pattern.bits()
        missing = []
        if plan.power and rig.meter("power") is None:
            missing.append(Problem("power figures need a power meter on the bench", "plan.toml", path="power"))
        if plan.warm_up and rig.meter("luminance") is None:
            missing.append(Problem("waiting for warm-up needs a luminance meter on the bench", "plan.toml", path="warm_up"))
        if bits != plan.levels.bits:
            missing.append(Problem(f"the pattern source drives {bits} bits", "plan.toml", path="levels.bits"))
        allowed = rig.pattern.allowed()
        for i, condition in enumerate(plan.condition):
            # Values are judged by the driver when they are set; unknown names are told before the first capture.
            missing += [
                Problem(
                    f"the DUT has no such setting; it has {', '.join(sorted(allowed)) or 'none'}",
                    "plan.toml",
                    path=f"condition.{i}.{name}",
                )
                for name in condition.driven()
                if name not in allowed
            ]
        if missing:
            raise PlanError(missing)

    def _remember_light(self, session: Session) -> None:
        """After a restart, ranges come from the steady captures that are in the archive already."""
        for level, light in archived_light(self.parts.archive, session.plan.dut.id, self.run):
            session.seen.note(level, light)

    def _archived(self, capture: Capture, header: CaptureHeader) -> None:
        self.status.done += 1
        if (capture.flags & ~(SegmentFlag.RETAKEN)).any():
            self.status.flagged += 1
        self._needed -= self._needed // max(self.status.total - self.status.done + 1, 1)
        self._note("captured", key=header.meta.key, capture=header.meta.id, sha256=header.sha256)
        self.parts.archived(header)

    # Waiting and stopping

    def _stopping(self) -> bool:
        return self.parts.shutdown.is_set() or requests.asked(self.folder, "cancel") or requests.asked(self.folder, "pause")

    def _stop_if_asked(self) -> None:
        if self.parts.shutdown.is_set():
            raise _Ended("running", "the service was stopped; goes on at its next start")
        if requests.asked(self.folder, "cancel"):
            raise _Ended("cancelled", "cancelled by request")
        if requests.asked(self.folder, "pause"):
            raise _Ended("paused", "paused by request")

    def _room(self, needed: int) -> str:
        free = self.parts.free_bytes(self.parts.home.raw) - _RESERVE_BYTES
        return "" if free >= needed else f"needs {needed / 1e9:.2f} GB, {max(free, 0) / 1e9:.2f} GB free"

    def _wait_for_room(self, needed: int) -> None:
        told = False
        while reason := self._room(needed):
            if not told:
                with suppress(ArchiveError):  # no room for this line either: the status tells
                    self.journal.append("waiting", reason=reason)
                told = True
            self._wait(reason)
            self._stop_if_asked()

    def _disk_full(self, reason: str) -> bool:
        """Called by the writer: wait a moment; False when the run must stop."""
        self._wait(f"{reason}; {self._room(self._needed) or 'trying again'}")
        return not self._stopping()

    def _note(self, event: str, **data: Any) -> None:
        """Into the journal, which may have to wait for room as the captures do."""
        tries = 0
        while True:
            try:
                self.journal.append(event, **data)
            except NoRoomError as exc:
                if not self._disk_full(str(exc)):
                    raise
            except ArchiveError:
                tries += 1
                if tries >= _TRIES:
                    raise
                self.parts.shutdown.wait(_LOOK_S)
            else:
                return

    def _wait(self, reason: str) -> None:
        self.status.state, self.status.reason = "waiting", reason
        self._write_status()
        self.parts.shutdown.wait(1.0)
        self.status.state, self.status.reason = "running", ""

    def _write_status(self, left: list[PlannedCapture] | None = None) -> None:
        if left:
            pace = sum(t for t, _ in self._pace) / max(sum(e for _, e in self._pace), 1e-9) if self._pace else 1.0
            self.status.time_left_s = round(sum(i.estimate_s for i in left) * pace, 1)
        try:
            self.status.write(self.folder)
        except OSError as exc:
            self.parts.log("status can't be written", run=self.run, error=str(exc), level="warning")

    def _end(self, state: State, reason: str = "") -> State:
        self.parts.failpoints.hit("run.end.before-journal")
        self.status.state, self.status.reason, self.status.current = state, reason, ""
        self.status.time_left_s = 0.0 if state == "finished" else None
        if state != "running":
            self._note(state, reason=reason, done=self.status.done, total=self.status.total)
            self.status.state, self.status.reason = state, reason  # waiting for room had changed them
            requests.take(self.folder, "cancel", "pause", "resume")
        self._write_status()
        self.parts.failpoints.hit("run.end.after-journal")
        return state
