"""The contract of estimators: pure, never raising for a bad trace, and every figure with its uncertainty or a reason."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from greystep.schema.dut import Condition
from greystep.schema.figure import Figure
from greystep.schema.trace import Context, Curve, Series, Steady, Subject, Transition

from .checking import Check, expect

_INTERVAL_S = 2e-5
_SAMPLES = 2000


def plain_context() -> Context:
    """A 60 Hz condition with a measured curve and no ripple."""
    levels = np.array([0.0, 128.0, 255.0])
    return Context(Condition(refresh_rate_hz=60.0), curve=Curve(levels, levels / 255, levels * 0 + 1e-4, levels * 0 + 9.0, "V"))


def exponential_step(tau_s: float = 2e-3, noise: float = 1e-3, repeats: int = 4) -> Transition:
    """0 to 1 V from the sync edge on with one time constant, the same numbers at every call."""
    times_s = _INTERVAL_S * (np.arange(_SAMPLES) - _SAMPLES // 5)
    rise = np.where(times_s > 0, -np.expm1(-np.maximum(times_s, 0.0) / tau_s), 0.0)
    light = rise + np.random.default_rng(1).normal(0, noise, (repeats, _SAMPLES))
    return Transition(0, 255, light, float(times_s[0]), _INTERVAL_S, wanted_repeats=repeats)


def subjects_for(estimator: Any) -> list[Subject]:
    """Good subjects of the kinds that it reads."""
    made: list[Subject] = []
    if "step" in estimator.kinds:
        made.append(exponential_step())
    if "steady" in estimator.kinds:
        ripple = 1 + 0.1 * np.sin(2 * np.pi * 240 * _INTERVAL_S * np.arange(_SAMPLES))
        made.append(Steady(255, np.tile(ripple, (3, 1)), _INTERVAL_S))
    times_s = np.arange(60.0)
    for kind, unit in (("trend", "cd/m2"), ("power", "W")):
        if kind in estimator.kinds:
            values = 100 * (1 - 0.1 * np.exp(-times_s / 10))[None, :]
            made.append(Series(kind, times_s, values, unit, (255,), (False,), 0.1))  # type: ignore[arg-type]
    return made


def _bad(subject: Subject) -> list[Subject]:
    """Flat, short, noisy and unusable variants."""
    if isinstance(subject, Series):
        return [replace(subject, values=subject.values * 0), replace(subject, values=subject.values * np.nan)]
    light = subject.light
    noise = np.random.default_rng(2).normal(0, 1, light.shape)
    variants = [light * 0, noise, light * np.nan, light[:, :3], light[:1]]
    return [replace(subject, light=v) for v in variants]


def _estimated(estimator: Any, subject: Subject) -> list[Figure]:
    return list(estimator.estimate(subject, plain_context(), estimator.Parameters()))


def it_introduces_itself(estimator: Any) -> str:
    """It has id, version, title, the kinds that it reads, and defaults for all parameters."""
    expect(bool(estimator.id) and bool(estimator.title), "id or title is empty")
    expect(isinstance(estimator.version, int) and estimator.version >= 1, f"version is {estimator.version!r}")
    known = {"step", "steady", "trend", "power"}
    expect(bool(estimator.kinds) and set(estimator.kinds) <= known, f"kinds are {estimator.kinds}; known are {sorted(known)}")
    estimator.Parameters()
    return f"{estimator.id} {estimator.version}"


def it_explains_itself(estimator: Any) -> str:
    """It explains itself in words that can be published."""
    text = estimator.explain(estimator.Parameters())
    expect(isinstance(text, str) and len(text.split()) >= 5, f"explain() gives {text!r}")
    return str(text)


def the_same_in_gives_the_same_out(estimator: Any) -> None:
    """The same trace gives the same figures, and the trace is not changed."""
    for subject in subjects_for(estimator):
        values = subject.values if isinstance(subject, Series) else subject.light
        before = values.copy()
        one, other = _estimated(estimator, subject), _estimated(estimator, subject)
        expect(repr(one) == repr(other), "two calls give different figures")
        expect(bool(np.array_equal(values, before)), "the trace was changed")


def figures_carry_their_uncertainty(estimator: Any) -> str:
    """Every number has a budget, or is a bound with its reason; what has no number says why."""
    figures = [f for s in subjects_for(estimator) for f in _estimated(estimator, s)]
    for f in figures:
        _complete(f)
    return f"{len(figures)} figures"


def bad_traces_give_reasons_and_never_raise(estimator: Any) -> None:
    """Flat, noisy, short and unusable traces give reasons or bounds; nothing is raised."""
    for subject in subjects_for(estimator):
        for bad in _bad(subject):
            for f in _estimated(estimator, bad):
                _complete(f)


def summaries_of_nothing_are_harmless(estimator: Any) -> None:
    """Summarising no figures, and figures without a number, raises nothing."""
    nothing: Sequence[Figure] = ()
    for figures in (nothing, [Figure("transition_duration", math.nan, "s", 0, 255, reason="not seen")]):
        for f in estimator.summarise(figures, plain_context(), estimator.Parameters()):
            _complete(f)


def _complete(f: Figure) -> None:
    expect(bool(f.quantity), "a figure without a quantity")
    expect(not math.isinf(f.value), f"{f.quantity} is infinite")
    if math.isnan(f.value) or f.bound:
        expect(bool(f.reason), f"{f.quantity} is {f.bound}{f.value} without a reason")
    else:
        finite = all(math.isfinite(c.effect) for c in f.budget)
        expect(finite, f"{f.quantity} has a component that is no number")
        expect(bool(f.budget) or f.unit == "1", f"{f.quantity} = {f.value:g} {f.unit} has no budget")


ESTIMATOR: tuple[Check, ...] = (
    it_introduces_itself,
    it_explains_itself,
    the_same_in_gives_the_same_out,
    figures_carry_their_uncertainty,
    bad_traces_give_reasons_and_never_raise,
    summaries_of_nothing_are_harmless,
)
