"""A tiny preparer and tiny estimators: quick, exact, and able to die on order."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
from greystep.daemon.analysis.engine import Engine
from greystep.daemon.analysis.prepared import PreparedCache
from greystep.daemon.archive.archive import Archive
from greystep.schema.figure import Component, Figure
from greystep.schema.model import Model
from greystep.schema.trace import Context, Curve, Series, Steady, Transition

COUNTS: dict[str, int] = {}
"""How often something was done in this process."""


def _count(what):
    COUNTS[what] = COUNTS.get(what, 0) + 1


class PrepareParameters(Model):
    gain: float = 1.0


class TinyPreparer:
    id = "light"
    version = 1
    Parameters = PrepareParameters

    def context(self, captures, parameters):
        _count("context")
        meta = captures[0].meta
        steady = [c for c in captures if c.meta.kind == "steady"]
        levels = np.array([float(c.from_level[0]) for c in steady])
        light = np.array([c.channels["light"].values().mean() for c in steady])
        curve = Curve(levels, light, light * 0 + 1e-3, light * 0 + 9.0, "V") if len(levels) else None
        return Context(meta.condition, sensor=meta.sensor, curve=curve, origin=meta.origin, others={"scale": 0.1 + 0.2})

    def subjects(self, capture, context, parameters):
        _count("subjects")
        meta = capture.meta
        if meta.kind in ("power", "trend"):
            value = capture.channels["value"]
            return [Series(meta.kind, capture.times_s, value.values(), value.unit, (128,), (True,))]
        light = capture.channels["light"].values() * parameters.gain
        if meta.kind == "steady":
            return [Steady(int(capture.from_level[0]), light, capture.interval_s)]
        out = []
        for a in dict.fromkeys(capture.from_level.tolist()):
            rows = capture.from_level == a
            b = int(capture.to_level[rows][0])
            out.append(Transition(a, b, light[rows], capture.start_s, capture.interval_s, wanted_repeats=meta.planned.repeats))
        return out


class TinyParameters(Model):
    threshold: float = 0.5
    dies_on: str = ""
    """`kill 0-128`: the process ends on this pair; `hang ...`: it hangs; `raise ...`; `once FILE`: it ends the first time."""


class TinyEstimator:
    """Time from the step to the threshold, with budget; the group's mean, through the curve of the context."""

    id = "tiny"
    version = 1
    title = "Tiny"
    kinds = frozenset({"step"})
    Parameters = TinyParameters

    def estimate(self, subject, context, parameters):
        _count("estimate")
        _obey(parameters.dies_on, f"{subject.from_level}-{subject.to_level}")
        mean = subject.light.mean(axis=0)
        low, high = mean[:8].mean(), mean[-8:].mean()
        crossed = np.flatnonzero((mean - low) / (high - low) > parameters.threshold)[0]
        value = float(subject.times_s[crossed])
        scatter = float(subject.light.std(ddof=1))
        budget = (
            Component("scatter", scatter / 3, len(subject.light) - 1, "A"),
            Component("time base", value * context.timebase_rel_u, shared="timebase"),
        )
        detail = {"low": float(low), "high": float(high), "curve": float(context.curve.light.sum()) if context.curve else -1.0}
        where = (subject.from_level, subject.to_level)
        return [
            Figure("transition_duration", value, "s", *where, budget=budget, repeats=len(subject.light), detail=detail),
            Figure("overshoot", float("nan"), "1", *where, reason="none seen", flags=("noisy",)),
        ]

    def summarise(self, figures, context, parameters):
        _count("summarise")
        _obey(parameters.dies_on, "summary")
        good = [f for f in figures if f.measurable and f.quantity == "transition_duration"]
        if not good:
            return []
        value = float(np.mean([f.value for f in good]))
        spread = float(np.mean([sum(c.effect**2 for c in f.budget) ** 0.5 for f in good]))
        curve = float(context.curve.light.sum()) if context.curve else 0.0
        budget = (Component("mean", spread, 5.0, "A"),)
        return [
            Figure(
                "transition_duration_mean",
                value,
                "s",
                budget=budget,
                repeats=len(good),
                detail={"curve": curve, "lows": sum(f.detail["low"] for f in good)},
            )
        ]

    def explain(self, parameters):
        return "tiny"


class TinyPower(TinyEstimator):
    """Mean power, and the difference to the first sibling."""

    id = "tiny-power"
    kinds = frozenset({"power"})

    def estimate(self, subject, context, parameters):
        value = float(subject.values.mean())
        return [Figure("power", value, "W", budget=(Component("meter", 0.01, 9.0, "A"),), repeats=subject.values.size)]

    def summarise(self, figures, context, parameters):
        others = context.others.get("figures", {})
        off = context.condition.model_copy(update={"overdrive": "off"}).key
        if off not in others or context.condition.overdrive == "off":
            return []
        value = figures[0].value - others[off][0].value
        return [Figure("power_overdrive", value, "W", budget=(Component("meter", 0.01, 9.0, "A"),))]


def _obey(order, place):
    verb, _, where = order.partition(" ")
    if verb == "once":
        mark = Path(where)
        if not mark.exists():
            mark.touch()
            os._exit(9)
    elif where == place:
        if verb == "kill":
            os._exit(9)
        if verb == "hang":
            time.sleep(60)
        if verb == "raise":
            raise ZeroDivisionError("on order")


ESTIMATORS = {e.id: e for e in (TinyEstimator(), TinyPower())}
PREPARERS = {"light": TinyPreparer()}


def tiny_engine(setup, announce=lambda _: None):
    """As `worker.make_engine`, with the tiny plugins."""
    cache = PreparedCache(Path(setup.prepared), setup.prepared_limit_bytes) if setup.prepared else None
    return Engine(Archive(Path(setup.archive)), ESTIMATORS, PREPARERS, cache, announce)


def broken_engine(setup, announce=lambda _: None):
    raise RuntimeError("no plugin could be loaded")
