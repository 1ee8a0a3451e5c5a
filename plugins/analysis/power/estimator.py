"""The estimator `power`: mean power of a condition, what its overdrive costs, and what both mean for a battery."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar

from greystep.schema.capture import Kind
from greystep.schema.figure import Component, Figure, flags_of
from greystep.schema.model import Model
from greystep.schema.trace import Context, Series, Subject
from pydantic import BaseModel, Field

from ..matrix.combination import weighted_budget
from .reading import series_power
from .runtime import runtime_cost_s, runtime_s, runtime_sensitivity


class PowerParameters(Model):
    """Parameters of the power figures."""

    common_part: Annotated[float, Field(ge=0, le=1)] = 0.9
    """Part of the meter's specified uncertainty that all its readings within one run share; it cancels in differences."""
    reference_overdrive: Annotated[str, Field(min_length=1, max_length=200)] = "off"
    """Name of the overdrive mode that the others are compared with."""


class PowerEstimator:
    """Mean power (W), its difference to the condition with the overdrive off (W), battery runtime and its cost (s).

    The power of the condition is that while levels toggle, because overdrive acts in transitions only; without toggling
    readings it is the mean over the held levels. Runtime t = 3600 E / P. With the power P of the whole device stated, P is
    taken as that with the overdrive off, and the difference comes on top.
    """

    id: ClassVar[str] = "power"
    version: ClassVar[int] = 1
    title: ClassVar[str] = "Power and battery runtime"
    kinds: ClassVar[frozenset[Kind]] = frozenset({"power"})
    Parameters: ClassVar[type[BaseModel]] = PowerParameters

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """Mean power of each held level, and while toggling."""
        assert isinstance(parameters, PowerParameters)
        if not isinstance(subject, Series) or subject.kind != "power":
            return []
        return series_power(subject, parameters.common_part)

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """Power of the condition, difference to the sibling with the overdrive off, runtime and its cost."""
        assert isinstance(parameters, PowerParameters)
        power = condition_power(figures)
        if power is None:
            return []
        difference = _difference(power, context, parameters)
        out = [power, *([difference] if difference else [])]
        if context.battery_wh:
            out.append(_runtime(power, difference, context, context.battery_wh))
            if difference is not None:
                out.append(_cost(power, difference, context, context.battery_wh))
        return out

    def explain(self, parameters: BaseModel) -> str:
        """The method in words with its formula."""
        assert isinstance(parameters, PowerParameters)
        p = parameters
        return (
            "Power is the mean of the meter's readings while the levels toggle, or over the held levels where nothing "
            "toggled. The power of overdrive is the difference to the same condition with overdrive "
            f"{p.reference_overdrive!r} of the same run. Battery runtime t = E / P for the stated energy E; P is the "
            "measured power, or the stated power of the whole device (taken with the overdrive off) plus that "
            "difference. The runtime cost is the runtime without overdrive less that with it. Uncertainty: scatter of "
            f"the readings (s/√n) and the meter's specification, of which {100 * p.common_part:g} % is taken as common "
            "to all readings of the run and cancels in the difference. Energy and stated power are taken as exact."
        )


def condition_power(figures: Sequence[Figure]) -> Figure | None:
    """Power of the whole condition from the figures of its captures: toggling before held levels; None when there is none."""
    found = [f for f in figures if f.quantity == "power"]
    if not found:
        return None
    usable = [f for f in found if f.measurable]
    moving = [f for f in usable if f.detail.get("toggling")]
    chosen = moving or usable
    if not chosen:
        return replace(found[0], from_level=None, to_level=None)
    return Figure(
        "power",
        math.fsum(f.value for f in chosen) / len(chosen),
        "W",
        budget=weighted_budget(chosen, [1.0 / len(chosen)] * len(chosen)),
        flags=flags_of(*(f.flags for f in chosen)),
        repeats=sum(f.repeats for f in chosen),
        detail={"toggling": float(bool(moving)), "parts": float(len(chosen))},
    )


def sibling_power(context: Context, reference_overdrive: str) -> Figure | str:
    """Power of the same condition with the overdrive off, from `context.others["figures"]`, or why there is none."""
    wanted = context.condition.model_copy(update={"overdrive": reference_overdrive})
    known = context.others.get("figures")
    if not isinstance(known, Mapping) or wanted.key not in known:
        return f"the run has no power figures of the same condition with overdrive {reference_overdrive!r}"
    figures = [f for f in known[wanted.key] if f.quantity == "power"]
    whole = condition_power([f for f in figures if "parts" not in f.detail] or figures)
    if whole is None or not whole.measurable:
        return f"the power with overdrive {reference_overdrive!r} could not be measured"
    return whole


def _difference(power: Figure, context: Context, p: PowerParameters) -> Figure | None:
    """power - power with the overdrive off; None for the condition with the overdrive off itself."""
    if context.condition.overdrive == p.reference_overdrive:
        return None
    off = sibling_power(context, p.reference_overdrive) if power.measurable else power.reason
    if not isinstance(off, Figure):
        return Figure("power_overdrive", math.nan, "W", reason=off, flags=power.flags, repeats=power.repeats)
    if bool(off.detail.get("toggling")) != bool(power.detail.get("toggling")):
        reason = "one condition was read while toggling and the other on held levels"
        return Figure("power_overdrive", math.nan, "W", reason=reason, flags=power.flags, repeats=power.repeats)
    return Figure(
        "power_overdrive",
        power.value - off.value,
        "W",
        budget=weighted_budget([power, off], [1.0, -1.0]),
        flags=flags_of(power.flags, off.flags),
        repeats=min(power.repeats, off.repeats),
        detail={"power_w": power.value, "power_off_w": off.value},
    )


def _scaled(budget: Sequence[Component], factor: float) -> tuple[Component, ...]:
    return tuple(replace(c, effect=c.effect * factor) for c in budget)


def _runtime(power: Figure, difference: Figure | None, context: Context, battery_wh: float) -> Figure:
    """E / P; with a stated system power, E / (P_system + overdrive)."""
    system = context.system_power_w
    extra = difference if difference is not None and difference.measurable else None
    if system is None:
        total, budget = power.value, power.budget
    else:
        exact = Component("stated power and energy, taken as exact", 0.0)
        total, budget = system + (extra.value if extra else 0.0), extra.budget if extra else (exact,)
    reason = power.reason
    if system is not None and difference is not None and extra is None:
        reason, total = difference.reason, math.nan
    if not math.isfinite(total) or total <= 0:
        return Figure("battery_runtime", math.nan, "s", reason=reason or "the power is not positive", flags=power.flags)
    return Figure(
        "battery_runtime",
        runtime_s(battery_wh, total),
        "s",
        budget=_scaled(budget, runtime_sensitivity(battery_wh, total)),
        flags=power.flags,
        repeats=power.repeats,
        detail={"battery_wh": battery_wh, "power_w": total, "stated_power": float(system is not None)},
    )


def _cost(power: Figure, difference: Figure, context: Context, battery_wh: float) -> Figure:
    """Runtime with the overdrive off less that with it."""
    if not difference.measurable:
        return replace(difference, quantity="battery_runtime_cost", unit="s")
    base = context.system_power_w if context.system_power_w is not None else power.value - difference.value
    total = base + difference.value
    if base <= 0 or total <= 0:
        reason = "the power is not positive"
        return Figure("battery_runtime_cost", math.nan, "s", reason=reason, flags=difference.flags)
    return Figure(
        "battery_runtime_cost",
        runtime_cost_s(battery_wh, base, difference.value),
        "s",
        budget=_scaled(difference.budget, -runtime_sensitivity(battery_wh, total)),
        flags=difference.flags,
        repeats=difference.repeats,
        detail={"battery_wh": battery_wh, "power_off_w": base, "power_w": total},
    )
