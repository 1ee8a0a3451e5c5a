"""The preparation `light`: captures become transitions, held levels and series in light above dark."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any, Literal, cast

import numpy as np
from greystep.schema.capture import Capture
from greystep.schema.errors import GreystepError
from greystep.schema.model import Model
from greystep.schema.trace import Context, Series, Steady, Subject, Transition
from numpy.typing import NDArray
from pydantic import BaseModel, Field

from .curve import curve_of, steady_mean
from .light import Light, light_of, picked, row_flags
from .luminance import luminance_scale, meter_reading
from .ripple import find_ripple
from .waveform import Removal, remove_ripple

Array = NDArray[np.float64]


class LightParameters(Model):
    """How traces are prepared."""

    ripple: Literal["auto", "divide", "window", "none"] = "auto"
    """How backlight ripple is taken out: by dividing by its waveform, by a window of one period, or as suits what was found."""
    timebase_rel_u: Annotated[float, Field(ge=0, lt=0.1)] = 5e-5
    """Relative standard uncertainty of the digitiser's time base."""


class LightPreparer:
    """Codes to light above dark; ripple found in the held levels and removed from the transitions."""

    id = "light"
    version = 3
    Parameters = LightParameters
    channels = frozenset({"light", "value"})
    """Channels of a capture that it reads; the sync trace is not unpacked for it."""

    def context(self, captures: Sequence[Capture], parameters: BaseModel) -> Context:
        """Curve, ripple, scale and conditions of a group.

        Args:
            captures: at least one of the group, of any kind, because the first tells condition and sensor; the samples of
                the steady ones give curve and ripple.
            parameters: `LightParameters`.

        Raises:
            GreystepError: no capture at all.
        """
        p = cast(LightParameters, parameters)
        if not captures:
            raise GreystepError("no capture to prepare", todo="give at least one capture of the group")
        meta = captures[0].meta
        held = [c for c in captures if c.meta.kind == "steady"]
        volts = [_steady(c, None) for c in held]
        usable = [(steady_mean(s)[0], s.luminance_cd_m2) for s in volts if s.light.size and s.unit == "V" and s.luminance_cd_m2]
        scale, scale_u = luminance_scale(meta.sensor, [v for v, _ in usable], [r for _, r in usable])
        steadies = volts if scale is None else [_steady(c, scale) for c in held]
        ripple = find_ripple(steadies, meta.condition.refresh_rate_hz)
        period = 1 / ripple.frequency_hz if ripple.frequency_hz > 0 else 0.0
        battery, system = _power_plan(captures[0].plan_text)
        wanted = max(c.meta.planned.steady_total for c in captures)
        return Context(
            condition=meta.condition,
            sensor=meta.sensor,
            curve=curve_of(steadies, period),
            ripple=ripple,
            bits=meta.bits,
            luminance_scale=scale,
            timebase_rel_u=p.timebase_rel_u,
            battery_wh=battery,
            system_power_w=system,
            origin=meta.origin,
            complete=len({c.meta.key for c in held}) >= wanted,
            others={"luminance_scale_rel_u": scale_u} if scale is not None else {},
        )

    def subjects(self, capture: Capture, context: Context, parameters: BaseModel) -> list[Subject]:
        """Two transitions of a step capture, one steady, or one series."""
        p = cast(LightParameters, parameters)
        if capture.meta.kind == "steady":
            return [_steady(capture, context.luminance_scale)]
        if capture.meta.kind == "step":
            return [*_transitions(capture, context, p)]
        return [_series(capture)]


def _steady(capture: Capture, scale: float | None) -> Steady:
    light = light_of(capture, scale)
    flags = row_flags(capture, light, np.ones(capture.segments, dtype=np.bool_))
    level = int(capture.from_level[0]) if capture.segments else 0
    return Steady(
        level, picked(light.values, light.usable), _interval(capture), light.unit, light.quantum, meter_reading(capture), flags
    )


def _interval(capture: Capture) -> float:
    if capture.time_s is not None and len(capture.time_s) > 1:
        return float((capture.time_s[-1] - capture.time_s[0]) / (len(capture.time_s) - 1))
    return capture.interval_s


def _even(capture: Capture, values: Array) -> Array:
    """Samples on an even grid; only some imports have uneven times."""
    times = capture.time_s
    if times is None or len(times) < 3:
        return values
    steps = np.diff(times)
    if np.allclose(steps, steps.mean(), rtol=1e-3, atol=0):
        return values
    grid = np.linspace(times[0], times[-1], len(times))
    return np.array([np.interp(grid, times, row) for row in values]).reshape(values.shape)


def _transitions(capture: Capture, context: Context, p: LightParameters) -> list[Transition]:
    """Both directions of a step capture. Ripple is removed from all segments together: a locked phase shows in the
    bright ones."""
    read = light_of(capture, context.luminance_scale)
    interval = _interval(capture)
    raw = _even(capture, picked(read.values, read.usable))
    removal = remove_ripple(raw, context.ripple, interval, p.ripple) if raw.size else Removal(raw, "none")
    common = Transition(
        0,
        0,
        removal.light,
        float(capture.times_s[0]) if capture.samples else capture.start_s,
        interval,
        unit=read.unit,
        quantum=read.quantum,
        raw=raw if removal.way != "none" else None,
        flags=_ripple_flags(context, removal),
        smoothing_s=removal.window_s,
        gap_s=removal.gap_s,
        command_delay_s=capture.meta.pattern_delay_s,
        wanted_repeats=capture.meta.planned.repeats,
    )
    if removal.window_s:
        common = _trimmed(common, removal.window_s)
    pairs = dict.fromkeys(zip(capture.from_level.tolist(), capture.to_level.tolist(), strict=True))
    return [_direction(capture, read, common, a, b) for a, b in pairs if a != b]


def _direction(capture: Capture, read: Light, common: Transition, from_level: int, to_level: int) -> Transition:
    """The segments of one direction."""
    rows = np.asarray((capture.from_level == from_level) & (capture.to_level == to_level))
    kept = rows[read.usable]
    flags = tuple(sorted({*common.flags, *row_flags(capture, read, rows)}))
    raw = None if common.raw is None else picked(common.raw, kept)
    light = picked(common.light, kept)
    return replace(common, from_level=from_level, to_level=to_level, light=light, raw=raw, flags=flags)


def _ripple_flags(context: Context, removal: Removal) -> tuple[str, ...]:
    kinds = {"strobe": ("strobed",), "dither": ("dithered",)}
    return (*kinds.get(context.ripple.kind, ()), *(("ripple",) if removal.way != "none" else ()))


def _trimmed(transition: Transition, window_s: float) -> Transition:
    """Without the half windows at the ends, where the window holds no whole period."""
    cut = int(np.ceil(window_s / transition.interval_s / 2))
    inner = slice(cut, transition.light.shape[1] - cut)
    raw = None if transition.raw is None else transition.raw[:, inner]
    start = transition.start_s + cut * transition.interval_s
    return replace(transition, light=transition.light[:, inner], raw=raw, start_s=start)


def _series(capture: Capture) -> Series:
    channel = capture.channels.get("value") or next(iter(capture.channels.values()))
    stated = [r.u for r in capture.meta.readings if r.u is not None and r.unit == channel.unit]
    flags = (capture.meta.origin,) if capture.meta.origin in ("imported", "attended") else ()
    return Series(
        capture.meta.kind,
        np.asarray(capture.times_s, dtype=np.float64),
        channel.values(),
        channel.unit,
        tuple(int(max(a, b)) for a, b in zip(capture.from_level, capture.to_level, strict=True)),
        tuple(bool(a != b) for a, b in zip(capture.from_level, capture.to_level, strict=True)),
        max(stated) if stated else None,
        flags,
    )


def _power_plan(text: str) -> tuple[float | None, float | None]:
    """Battery energy in W h and system power in W, where the plan states them."""
    try:
        power: Any = tomllib.loads(text).get("power", {})
    except (tomllib.TOMLDecodeError, RecursionError):
        return None, None
    if not isinstance(power, dict):
        return None, None
    found = [power.get(key) for key in ("battery_wh", "system_power_w")]
    numbers = [float(v) if isinstance(v, (int, float)) and not isinstance(v, bool) else None for v in found]
    return numbers[0], numbers[1]
