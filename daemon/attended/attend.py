"""From a plan to archived attended captures: opens the digitiser, runs the session, commits all captures at once."""

from __future__ import annotations

import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.importing import commit
from greystep.daemon.importing.software import versions
from greystep.schema.bench import Bench, Role
from greystep.schema.capture import InstrumentRecord
from greystep.schema.errors import BenchError, GreystepError, Problem
from greystep.schema.ids import IdSource
from greystep.schema.plan import Plan
from greystep.schema.roles import has_sync_output
from pydantic import ValidationError

from .captures import Surroundings, captures_of
from .driven import DrivenHand
from .driving import LightBench
from .grid import Grid
from .loop import IDLE_S, AttendedLoop, restored
from .session import Group
from .store import Store
from .terminal import Terminal

USUAL_REPEATS = 3
"""By hand, unless the plan asks for fewer or `--repeats` for more: the uncertainty says the rest."""

_SETTLE_S = 0.3


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
    digitiser = _open(bench, host, dialogue, "digitiser")
    pattern: Any = None
    try:
        if plan.pattern == "driven":
            pattern = _open(bench, host, dialogue, "pattern")
            _without_sync(pattern)
        store, goes_on = Store.open(home.root, plan_text, IdSource().new())
        while goes_on and (home.raw / plan.dut.id / store.run).is_dir():
            store.note("finished")  # archived, but the power went before that was noted
            store, goes_on = Store.open(home.root, plan_text, IdSource().new())
        if goes_on:
            terminal.say(f"Going on with session {store.run}.")
        session = restored(_groups(plan, repeats), store)
        idle = idle_s if idle_s is not None else max(IDLE_S, 10 * plan.capture.hold_s)
        light = LightBench(digitiser, bench, plan)
        hand = DrivenHand(pattern, plan.capture.pretrigger_s, plan.capture.hold_s + _SETTLE_S) if pattern else None
        ending = _until_end(AttendedLoop(session, light, store, terminal, idle, hand), terminal)
        record = _records(bench, {"digitiser": digitiser, "pattern": pattern}, host)
    finally:
        if pattern is not None:
            with suppress(GreystepError):
                pattern.safe()
            pattern.close()
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
    usual = plan.capture.repeats if plan.pattern == "driven" else min(plan.capture.repeats, USUAL_REPEATS)
    steady = tuple(plan.levels.steady_levels())
    grid = Grid.of(plan.levels.step_pairs(), repeats or usual)
    return tuple(Group(f"c{i:02d}", condition, steady, grid) for i, condition in enumerate(plan.condition, 1))


def _open(bench: Bench, host: PluginHost, dialogue: list[str], role: Role) -> Any:
    entry, where = bench.instruments.get(role), f"instruments.{role}"
    if entry is None:
        raise BenchError([Problem(f"no {role}; add [{where}]", "bench.toml")])
    spec = host.driver(entry.driver)
    if spec.role != role:
        raise BenchError([Problem(f"the driver {entry.driver!r} is no {role}", "bench.toml", path=where)])
    try:
        settings = spec.settings.model_validate(entry.settings())
    except ValidationError as exc:
        raise BenchError(
            [Problem(e["msg"], "bench.toml", path=".".join([where, *map(str, e["loc"])])) for e in exc.errors()]
        ) from exc
    begun = time.monotonic()
    return spec.open(settings, lambda who, way, text: dialogue.append(f"{time.monotonic() - begun:.6f} {who} {way} {text}"))


def _without_sync(pattern: Any) -> None:
    if has_sync_output(pattern):
        raise BenchError(
            [
                Problem(
                    "the pattern source has a sync output: the service takes this plan",
                    "bench.toml",
                    path="instruments.pattern",
                )
            ],
            todo="use 'greystep submit', or pattern = \"manual\" to change levels by hand",
        )


def _records(bench: Bench, opened: Mapping[Role, Any], host: PluginHost) -> tuple[InstrumentRecord, ...]:
    out = []
    for role, instrument in opened.items():
        if instrument is None:
            out.append(InstrumentRecord(role=role, driver="manual", identity="levels changed by hand"))
            continue
        entry = bench.instruments[role]
        origin = host.origins.get(f"drivers:{entry.driver}")
        facts: dict[str, Any] = {}
        with suppress(GreystepError):
            facts = {"identity": instrument.identify(), "settings": instrument.settings()}
        resource = str(entry.settings().get("resource", ""))
        version = origin.version if origin else ""
        out.append(InstrumentRecord(role=role, driver=entry.driver, driver_version=version, resource=resource, **facts))
    return tuple(out)
