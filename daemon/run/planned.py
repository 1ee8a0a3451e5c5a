"""What a plan comes to: the list of captures, in the order in which they are taken. A pure function of the plan."""

from __future__ import annotations

import math
from dataclasses import dataclass

from greystep.schema.capture import Kind, Planned
from greystep.schema.dut import Condition
from greystep.schema.plan import Plan

STEADY_SEGMENTS = 3
"""Records of each held level: enough to see drift and to give a scatter."""


@dataclass(frozen=True)
class PlannedCapture:
    """One capture to take."""

    key: str
    """Name within the run; also the file's name, so that a capture can't be archived twice."""
    kind: Kind
    group: str
    condition: Condition
    levels: tuple[int, ...]
    """step: the pair; steady: one level; power: the levels read; trend: the level held."""
    place: Planned
    estimate_s: float
    """How long it takes at the bench, in s."""


def planned_captures(plan: Plan) -> list[PlannedCapture]:
    """All captures of a plan. Steady levels first: the step figures depend on them and the ranges come from them."""
    made: list[tuple[str, Kind, str, Condition, tuple[int, ...], float]] = []
    if plan.warm_up:
        level = plan.warm_up.level if plan.warm_up.level is not None else 2**plan.levels.bits - 1
        condition = plan.condition[0]
        made.append(
            ("c01-trend-warm-up", "trend", "c01", condition, (level,), max(plan.warm_up.minimum_s, plan.warm_up.window_s))
        )
    for index, condition in enumerate(plan.condition, 1):
        group = f"c{index:02d}"
        made += [
            (f"{group}-steady-{level:03d}", "steady", group, condition, (level,), steady_s(plan))
            for level in plan.levels.steady_levels()
        ]
        made += [
            (f"{group}-step-{low:03d}-{high:03d}", "step", group, condition, (low, high), step_s(plan))
            for low, high in plan.levels.step_pairs()
        ]
        if plan.power:
            made.append((f"{group}-power", "power", group, condition, power_levels(plan), 0.2 * plan.power.readings * 2))
    return [
        PlannedCapture(key, kind, group, condition, levels, _place(made, i, plan), estimate)
        for i, (key, kind, group, condition, levels, estimate) in enumerate(made)
    ]


def settle_entries(plan: Plan) -> int:
    """How many list entries the first level is held for before the record that counts."""
    settle = plan.capture.hold_s if plan.capture.settle_s is None else plan.capture.settle_s
    return max(1, math.ceil(settle / plan.capture.hold_s))


def step_s(plan: Plan) -> float:
    """Time that the panel needs for one step capture, in s: the holds and nothing else."""
    return (settle_entries(plan) + 2 * plan.capture.repeats) * plan.capture.hold_s


def steady_dwell_s(plan: Plan) -> float:
    """Dwell of the list entries of a steady capture, in s.

    Two frames longer than the record: a source that is locked to its frames may shorten a dwell by one.
    """
    return plan.capture.steady_s + 2 / min(c.refresh_rate_hz for c in plan.condition) + 2e-3


def steady_entries(plan: Plan) -> tuple[int, int]:
    """List entries of a steady capture: those that only settle, and those that count."""
    settle = plan.capture.hold_s if plan.capture.settle_s is None else plan.capture.settle_s
    return max(1, math.ceil(settle / steady_dwell_s(plan))), STEADY_SEGMENTS


def steady_s(plan: Plan) -> float:
    """Time that the panel needs for one steady capture, in s."""
    return sum(steady_entries(plan)) * steady_dwell_s(plan)


def power_levels(plan: Plan) -> tuple[int, ...]:
    """Levels held while power is read; the middle of the range when the plan names none."""
    chosen = plan.power.levels if plan.power else ()
    return chosen or ((2**plan.levels.bits) // 2,)


def _place(made: list[tuple[str, Kind, str, Condition, tuple[int, ...], float]], index: int, plan: Plan) -> Planned:
    group = made[index][2]
    return Planned(
        position=index + 1,
        total=len(made),
        group_total=sum(m[2] == group for m in made),
        steady_total=sum(m[2] == group and m[1] == "steady" for m in made),
        methods=plan.methods,
        repeats=plan.capture.repeats,
    )


def bytes_needed(plan: Plan) -> int:
    """Upper estimate of the archive's growth: two channels of 16 bits, not counting that they are packed."""
    samples = plan.capture.hold_s * plan.capture.sample_rate_hz
    steps = len(plan.levels.step_pairs()) * 2 * plan.capture.repeats * samples
    steady = len(plan.levels.steady_levels()) * STEADY_SEGMENTS * plan.capture.steady_s * plan.capture.sample_rate_hz
    return int(len(plan.condition) * (steps + steady) * 2 * 2 * 1.05) + 100_000
