"""From a plan to archived attended captures: opens the digitiser, runs the session, commits all captures at once."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.importing import commit
from greystep.daemon.importing.software import versions
from greystep.schema.bench import Bench
from greystep.schema.capture import InstrumentRecord
from greystep.schema.errors import BenchError, GreystepError, Problem
from greystep.schema.ids import IdSource
from greystep.schema.plan import Plan
from pydantic import ValidationError

from .captures import Surroundings, captures_of
from .driving import LightBench
from .grid import Grid
from .loop import IDLE_S, AttendedLoop, restored
from .session import Group
from .store import Store
from .terminal import Terminal

USUAL_REPEATS = 3
"""By hand, unless the plan asks for fewer or `--repeats` for more: the uncertainty says the rest."""


@dataclass(frozen=True)
class Attended:
    """What became of a session."""

    run: str
    dut: str
    finished: bool
    captures: int = 0
    missing: int = 0
    """Records of the plan that were not taken."""


def attend(
    plan: Plan,
    plan_text: str,
    home: Home,
    host: PluginHost,
    terminal: Terminal,
    repeats: int | None = None,
    idle_s: float | None = None,
) -> Attended:
    """Run or go on with an attended session.

    Args:
        plan: what to measure; its own repeats count only where they are fewer.
        plan_text: as the user wrote it; the same text goes on with the same unfinished session.
        home: where the session is kept. The caller holds the bench lock.
        host: drivers.
        terminal: the operator's.
        repeats: repeats of each direction; None: at most `USUAL_REPEATS`.
        idle_s: without a trigger for this long, the light is looked at; None: long against a record, because a
            change in the last moments before the look is lost.

    Raises:
        BenchError: no digitiser in `bench.toml`, or its settings are wrong.
        InstrumentError: the digitiser failed. What was taken is kept.
        ArchiveError: the disk failed. What was taken is kept.
    """
    bench, bench_text = home.bench()
    dialogue: list[str] = []
    digitiser = _open(bench, host, dialogue)
    try:
        store, goes_on = Store.open(home.root, plan_text, IdSource().new())
        while goes_on and (home.raw / plan.dut.id / store.run).is_dir():
            store.note("finished")  # archived, but the power went before that was noted
            store, goes_on = Store.open(home.root, plan_text, IdSource().new())
        if goes_on:
            terminal.say(f"Going on with session {store.run}.")
        session = restored(_groups(plan, repeats), store)
        idle = idle_s if idle_s is not None else max(IDLE_S, 10 * plan.capture.hold_s)
        light = LightBench(digitiser, bench, plan)
        ending = _until_end(AttendedLoop(session, light, store, terminal, idle), terminal)
        record = _record(bench, digitiser, host)
    finally:
        with suppress(GreystepError):
            digitiser.abort()
        digitiser.close()
    left = sum(g.grid.left for g in restored(_groups(plan, repeats), store).groups)
    if ending == "paused":
        return Attended(store.run, plan.dut.id, finished=False, missing=left)
    about = Surroundings(plan, plan_text, bench, bench_text, record, versions(), IdSource(), tuple(dialogue[-20_000:]))
    captures = captures_of(store, about)
    home.raw.mkdir(mode=0o700, exist_ok=True)
    with commit.staging(home.raw, store.run) as stage:
        headers = commit.commit(home.raw, stage, captures)
    store.note("finished", captures=len(headers))
    return Attended(store.run, plan.dut.id, finished=True, captures=len(headers), missing=left)


def _until_end(loop: AttendedLoop, terminal: Terminal) -> str:
    try:
        return loop.run()
    except KeyboardInterrupt:
        terminal.say("Paused. Show level 0 on the device. The same command goes on from here.")
        return "paused"


def _groups(plan: Plan, repeats: int | None) -> tuple[Group, ...]:
    chosen = repeats if repeats is not None else min(plan.capture.repeats, USUAL_REPEATS)
    steady = tuple(plan.levels.steady_levels())
    grid = Grid.of(plan.levels.step_pairs(), chosen)
    return tuple(Group(f"c{i:02d}", condition, steady, grid) for i, condition in enumerate(plan.condition, 1))


def _open(bench: Bench, host: PluginHost, dialogue: list[str]) -> Any:
    import time

    entry = bench.instruments.get("digitiser")
    if entry is None:
        raise BenchError([Problem("no digitiser; add [instruments.digitiser]", "bench.toml")])
    spec = host.driver(entry.driver)
    if spec.role != "digitiser":
        raise BenchError([Problem(f"the driver {entry.driver!r} is no digitiser", "bench.toml", path="instruments.digitiser")])
    try:
        settings = spec.settings.model_validate(entry.settings())
    except ValidationError as exc:
        problems = [
            Problem(e["msg"], "bench.toml", path=".".join(["instruments.digitiser", *map(str, e["loc"])])) for e in exc.errors()
        ]
        raise BenchError(problems) from exc
    begun = time.monotonic()
    return spec.open(settings, lambda role, way, text: dialogue.append(f"{time.monotonic() - begun:.6f} {role} {way} {text}"))


def _record(bench: Bench, digitiser: Any, host: PluginHost) -> tuple[InstrumentRecord, ...]:
    entry = bench.instruments["digitiser"]
    found = host.origins.get(f"drivers:{entry.driver}")
    origin = found.version if found else ""
    resource = str(entry.settings().get("resource", ""))
    with suppress(GreystepError):
        return (
            InstrumentRecord(
                role="digitiser",
                driver=entry.driver,
                driver_version=origin,
                identity=digitiser.identify(),
                resource=resource,
                settings=digitiser.settings(),
            ),
            InstrumentRecord(role="pattern", driver="manual", driver_version=origin, identity="levels changed by hand"),
        )
    return (InstrumentRecord(role="digitiser", driver=entry.driver, driver_version=origin, resource=resource),)
