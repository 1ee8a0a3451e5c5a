"""The attended session as a state machine: events in, orders out, nothing else. Pure.

condition -> bright -> dark -> levels (each held once) -> steps (the grid, in any order) -> next condition -> done
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from greystep.schema.dut import Condition

from .grid import Grid
from .recognise import Held, Judged

Phase = Literal["condition", "bright", "dark", "levels", "steps", "done"]
_MIN_LIGHT_NOISES: Final = 30.0
MAX_RIPPLE_FOR_TRIGGER: Final = 0.02
_REMIND_AFTER: Final = 5


@dataclass(frozen=True)
class Order:
    """What the loop must do.

    say: show `text`; hold: record the held light and report it as `TookHeld`; arm: record the next change from `level` and
    report it; keep_held, keep_step: keep the record that was just reported; drop_step: undo; next_group: the next condition;
    pause, end: stop.
    """

    do: Literal["say", "hold", "arm", "keep_held", "keep_step", "drop_step", "next_group", "pause", "end"]
    text: str = ""
    level: int = 0
    pair: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class Group:
    """One condition's progress."""

    key: str
    condition: Condition
    steady: tuple[int, ...]
    """Levels to hold."""
    grid: Grid
    table: Mapping[int, float] = field(default_factory=dict)
    """Level -> light in V, of the held levels."""


@dataclass(frozen=True)
class Session:
    """Everything that the machine remembers."""

    groups: tuple[Group, ...]
    at: int = 0
    """Index of the present group."""
    phase: Phase = "condition"
    level: int | None = None
    """Level on the screen as far as known."""
    up: bool = True
    """Whether the trigger waits for more light."""
    noise: float = 0.0
    """Of the placement check, in V."""
    ripple: float = 0.0
    quiet: int = 0
    """How often in a row the light was looked at and nothing had changed."""
    asked_twice: bool = False
    """A doubtful held level was asked for again; the next Enter takes it."""

    @property
    def group(self) -> Group:
        """The present group."""
        return self.groups[self.at]

    @property
    def free_running(self) -> bool:
        """Whether ripple makes a trigger on the light useless, so that changes are found in free-running records."""
        return self.ripple > MAX_RIPPLE_FOR_TRIGGER

    def changed(self, **values: object) -> Session:
        """With other values of the present group."""
        group = replace(self.group, **values)  # type: ignore[arg-type]
        return replace(self, groups=(*self.groups[: self.at], group, *self.groups[self.at + 1 :]))


Answer = tuple[Session, list[Order]]
HELP: Final = (
    "Enter: go on   u: undo the last record   c: check the placement again   g: show the grid   r N: N repeats instead\n"
    "p: pause (go on any day with the same command)   f: finish with what there is   ?: this"
)


def begin(session: Session) -> Answer:
    """First words; also after a pause. The placement is always checked first: the sensor may have been moved."""
    if session.phase == "done":
        return session, [Order("end")]
    group = session.group
    told = f"Set the device by hand: {group.condition.title}. Then press Enter."
    return replace(session, phase="condition", level=None), [Order("say", HELP), Order("say", told)]


def on_key(session: Session, text: str) -> Answer:
    """A line that the operator typed."""
    word, _, rest = text.strip().lower().partition(" ")
    if word == "?":
        return session, [Order("say", HELP)]
    if word == "g":
        return session, [Order("say", session.group.grid.text(session.level))]
    if word == "p":
        return session, [
            Order("say", "Paused. Show level 0 on the device. The same command goes on from here."),
            Order("pause"),
        ]
    if word == "c":
        return begin(session)
    if word == "r":
        return _repeats(session, rest)
    if word == "u":
        return _undo(session)
    if word == "f":
        return _finish(session)
    if word:
        return session, [Order("say", f"{word!r} means nothing here.\n{HELP}")]
    return _enter(session)


def _repeats(session: Session, rest: str) -> Answer:
    if not rest.strip().isdecimal() or not 1 <= int(rest) <= 1000:
        return session, [Order("say", "r N needs a number from 1 to 1000, such as r 3")]
    made = session.changed(grid=session.group.grid.with_repeats(int(rest)))
    said = Order("say", f"{int(rest)} repeats of each transition.\n{made.group.grid.text(made.level)}")
    return _steps(made, [said]) if made.phase == "steps" else (made, [said])


def _undo(session: Session) -> Answer:
    grid = session.group.grid
    if session.phase != "steps" or not grid.taken:
        return session, [Order("say", "Nothing to undo.")]
    pair = grid.taken[-1]
    made = session.changed(grid=grid.undo())
    return _steps(made, [Order("drop_step", pair=pair), Order("say", f"Undone: {pair[0]} to {pair[1]}.")])


def _finish(session: Session) -> Answer:
    if not session.group.grid.taken:
        return session, [Order("say", "No transition was taken yet: p pauses instead.")]
    left = session.group.grid.left
    return _next_group(session, [Order("say", f"Finished with {left} records not taken.")])


def _enter(session: Session) -> Answer:
    if session.phase == "condition":
        said = f"Place the sensor. Show level {max(session.group.steady)}, wait until it is steady, then press Enter."
        return replace(session, phase="bright", asked_twice=False), [Order("say", said)]
    if session.phase in ("bright", "dark", "levels"):
        return session, [Order("hold", level=held_level(session))]
    return _steps(session, [])


def held_level(session: Session) -> int:
    """The level that is to be held now, in the phases bright, dark and levels."""
    group = session.group
    return {"bright": max(group.steady), "dark": min(group.steady)}.get(session.phase, _next_held(group))


def _next_held(group: Group) -> int:
    return next((v for v in group.steady if v not in group.table), group.steady[0])


def on_held(session: Session, seen: Held) -> Answer:
    """The held light was recorded."""
    group = session.group
    if seen.clipped:
        return session, [Order("say", "Clipped: move the sensor away, or lower its gain; then press Enter.")]
    if session.phase == "bright":
        return _bright(session, seen)
    if session.phase == "dark":
        return _dark(session, seen)
    if session.phase != "levels":
        return session, []
    level = _next_held(group)
    doubt = _doubt(group, level, seen.light)
    if doubt and not session.asked_twice:
        return replace(session, asked_twice=True), [Order("say", f"{doubt} Show level {level} and press Enter.")]
    made = replace(session.changed(table={**group.table, level: seen.light}), asked_twice=False, level=level)
    orders = [Order("keep_held", level=level), Order("say", f"Level {level}: {seen.light:.5g} V.")]
    return _levels(made, orders)


def _bright(session: Session, seen: Held) -> Answer:
    told = f"Bright: {seen.light:.4g} V, noise {seen.noise * 1e3:.3g} mV, ripple {100 * seen.ripple:.1f} %."
    if seen.light < _MIN_LIGHT_NOISES * seen.noise and not session.asked_twice:
        more = " Hardly above the noise: move the sensor nearer or raise its gain, then press Enter (again to go on as it is)."
        return replace(session, asked_twice=True), [Order("say", told + more)]
    before = session.group.table.get(max(session.group.steady))
    if before is not None and abs(seen.light - before) > 0.02 * before and not session.asked_twice:
        more = f" It was {before:.4g} V before: the placement has changed. Mend it and press Enter (again to go on)."
        return replace(session, asked_twice=True), [Order("say", told + more)]
    low = min(session.group.steady)
    made = replace(session, phase="dark", noise=seen.noise, ripple=seen.ripple, asked_twice=False)
    return made, [Order("say", f"{told}\nShow level {low}, then press Enter.")]


def _dark(session: Session, seen: Held) -> Answer:
    told = f"Dark: {seen.light:.4g} V."
    if session.free_running:
        told += " The light has ripple: changes are looked for in free-running records, change the level in your own time."
    before = session.group.table.get(min(session.group.steady))
    if before is not None:
        return _again(session, seen, told, before)
    return _levels(replace(session, phase="levels", level=min(session.group.steady)), [Order("say", told)])


def _again(session: Session, seen: Held, told: str, before: float) -> Answer:
    """The placement was checked again: the levels known must still give their light."""
    top = max(session.group.table.values())
    if abs(seen.light - before) > max(0.02 * (top - before), 10 * seen.noise) and not session.asked_twice:
        more = (
            f" It was {before:.4g} V before: the room or the placement has changed. Mend it and press Enter (again to go on)."
        )
        return replace(session, asked_twice=True), [Order("say", told + more)]
    made = replace(session, phase="levels", level=min(session.group.steady), asked_twice=False)
    return _levels(made, [Order("say", told)])


def _doubt(group: Group, level: int, light: float) -> str:
    """Whether this light can't be that of the level, because a lower level gave more or a higher one less."""
    below = max((v for v in group.table if v < level), default=None)
    above = min((v for v in group.table if v > level), default=None)
    if below is not None and light <= group.table[below]:
        return f"Not more light ({light:.4g} V) than at level {below}."
    if above is not None and light >= group.table[above]:
        return f"Not less light ({light:.4g} V) than at level {above}."
    return ""


def _levels(session: Session, orders: list[Order]) -> Answer:
    if any(v not in session.group.table for v in session.group.steady):
        said = f"Show level {_next_held(session.group)}, then press Enter."
        return replace(session, phase="levels"), [*orders, Order("say", said)]
    return _steps(replace(session, phase="steps"), [*orders, Order("say", session.group.grid.text(session.level))])


def _steps(session: Session, orders: list[Order]) -> Answer:
    """Arm for the next change, or go to the next condition."""
    grid = session.group.grid
    if not grid.left:
        return _next_group(session, [*orders, Order("say", "All transitions taken.")])
    level = session.level
    if level is None:
        return session, [*orders, Order("arm", level=-1)]
    ways = {up: grid.next_levels(level, up=up) for up in (True, False)}
    if not ways[True] and not ways[False]:
        way = grid.way(level)
        up = bool(way) and way[0] > level
        said = f"Nothing more from {level}; go to {way[0]}."
    else:
        up = len(ways[True]) >= len(ways[False]) and bool(ways[True])
        names = ", ".join(f"{v} ({grid.missing((level, v))} left)" for v in ways[up])
        said = f"Now {level}. Change {'UP' if up else 'DOWN'} to {names}."
        if session.free_running and ways[not up]:
            said += f" Or to {', '.join(map(str, ways[not up]))}."
    made = replace(session, up=up)
    return made, [*orders, Order("say", said), Order("arm", level=level)]


def on_step(session: Session, seen: Judged) -> Answer:
    """A record of a change came."""
    made = replace(session, level=seen.to_level, quiet=0)
    if not seen.kept:
        return _steps(made, [Order("say", f"Retake: {seen.problem}.")])
    pair = (int(seen.from_level or 0), int(seen.to_level or 0))
    grid = session.group.grid
    if pair not in grid.wanted:
        return _steps(made, [Order("say", f"{pair[0]} to {pair[1]} is not in the plan.")])
    if not grid.missing(pair):
        return _steps(made, [Order("say", f"{pair[0]} to {pair[1]} is complete already.")])
    made = made.changed(grid=grid.take(pair))
    now = made.group.grid
    said = f"Accepted: {pair[0]} to {pair[1]} ({now.count(pair)}/{now.wanted[pair]}), {now.left} left."
    return _steps(made, [Order("keep_step", pair=pair), Order("say", said)])


def on_idle(session: Session, level: int | None) -> Answer:
    """Nothing triggered for a while, and the light was looked at: which level stands there now (None: none of the plan)."""
    if session.phase != "steps":
        return session, []
    if level == session.level:
        quiet = replace(session, quiet=session.quiet + 1)
        if quiet.quiet % _REMIND_AFTER:
            return quiet, [Order("arm", level=-1 if level is None else level)]
        return _steps(quiet, [] if level is not None else [Order("say", "The light is that of no level of the plan.")])
    missed = session.level is not None and level is not None
    said = f"Missed: the light went from {session.level} to {level}. It goes on from there." if missed else ""
    return _steps(replace(session, level=level), [Order("say", said)] if said else [])


def _next_group(session: Session, orders: list[Order]) -> Answer:
    if session.at + 1 < len(session.groups):
        following, more = begin(replace(session, at=session.at + 1))
        return following, [*orders, Order("next_group"), *more]
    return replace(session, phase="done"), [*orders, Order("say", "Show level 0 on the device now."), Order("end")]
