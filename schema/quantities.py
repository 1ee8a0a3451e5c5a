"""The quantities that greystep measures: name, unit, meaning. A plugin may add its own through its estimator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Quantity:
    """What a figure is of."""

    name: str
    unit: str
    """UDUNITS string; SI."""
    title: str
    meaning: str
    display_unit: str = ""
    """Unit on screen; empty: as `unit`."""
    display_factor: float = 1.0
    """screen value = value * display_factor."""
    better: str = ""
    """`low`, `high`, or empty when neither is better."""


def _ms(name: str, title: str, meaning: str, better: str = "low") -> Quantity:
    return Quantity(name, "s", title, meaning, "ms", 1e3, better)


def _percent(name: str, title: str, meaning: str, better: str = "low") -> Quantity:
    return Quantity(name, "1", title, meaning, "%", 100.0, better)


_ALL = [
    _ms("transition_duration", "Transition duration", "between the start and end reference levels (IEEE 181)"),
    _ms(
        "settling_duration",
        "Settling duration",
        "from the 50 % instant to the last entry into the end band (IEEE 181)",
    ),
    _percent("overshoot", "Overshoot", "greatest excursion beyond the end level, as a part of the step (IEEE 181)"),
    _percent(
        "undershoot",
        "Undershoot",
        "greatest excursion back below the end level after the transition, as a part of the step",
    ),
    _percent("preshoot", "Preshoot", "greatest excursion before the transition, as a part of the step"),
    _ms("mean_lag", "Mean lag", "area between the ideal and the real step, divided by the step"),
    _percent(
        "completion",
        "Completion at one refresh",
        "part of the step reached one refresh period after the light began to change",
        "high",
    ),
    _ms("delay_first_light", "Delay to first light", "from the level command to the first detectable change"),
    _ms("delay_50", "Delay to 50 %", "from the level command to half of the step"),
    _ms("transition_duration_mean", "Mean transition duration", "mean over the transitions of the matrix"),
    _ms(
        "transition_duration_median",
        "Median transition duration",
        "median over the transitions of the matrix",
    ),
    _ms("transition_duration_best", "Best transition duration", "shortest of the matrix"),
    _ms("transition_duration_worst", "Worst transition duration", "longest of the matrix"),
    _ms("transition_duration_rising", "Mean of rising transitions", "mean over the rising transitions"),
    _ms("transition_duration_falling", "Mean of falling transitions", "mean over the falling transitions"),
    _ms(
        "transition_duration_darkest",
        "Mean of the darkest transitions",
        "mean over transitions from or to the two lowest levels",
    ),
    _percent("overshoot_mean", "Mean overshoot", "mean over the transitions of the matrix"),
    _percent("overshoot_worst", "Worst overshoot", "largest of the matrix"),
    _percent("completion_mean", "Mean completion", "mean over the transitions of the matrix", "high"),
    _percent(
        "within_refresh",
        "Share within the refresh",
        "part of the transitions that settle within one refresh period",
        "high",
    ),
    Quantity(
        "supported_refresh_rate",
        "Hz",
        "Supported refresh rate",
        "highest refresh rate that the stated share of transitions supports",
        better="high",
    ),
    _ms("blur_edge_time", "Blur edge time", "10 to 90 % of the moving-edge temporal profile"),
    _ms(
        "extended_blur_edge_time",
        "Extended blur edge time",
        "blur edge time extrapolated from 10-90 % to 0-100 %",
    ),
    _ms(
        "gaussian_edge_time",
        "Gaussian edge time",
        "10 to 90 % of the Gaussian edge fitted to the moving-edge temporal profile",
    ),
    _ms("blur_edge_time_mean", "Mean blur edge time", "mean over the grey pairs"),
    _ms("extended_blur_edge_time_mean", "Mean extended blur edge time", "mean over the grey pairs"),
    _ms("gaussian_edge_time_mean", "Mean Gaussian edge time", "mean over the grey pairs"),
    Quantity("blur_width", "pixel", "Blur width", "blur edge time at the stated speed", better="low"),
    _ms("persistence", "Persistence", "time for which the light of one frame is on"),
    Quantity("flicker_frequency", "Hz", "Flicker frequency", "fundamental of the light's modulation"),
    _percent("modulation_depth", "Modulation depth", "(max - min) / (max + min) over a cycle (percent flicker)"),
    Quantity(
        "flicker_index",
        "1",
        "Flicker index",
        "area above the mean over the whole area, over a cycle",
        better="low",
    ),
    Quantity(
        "stroboscopic_visibility",
        "1",
        "Stroboscopic visibility measure",
        "with the threshold curve named by the method",
        better="low",
    ),
    Quantity("ieee1789_zone", "1", "IEEE 1789 zone", "0 no observable effect, 1 low risk, 2 above", better="low"),
    Quantity("luminance", "cd/m2", "Luminance", "mean luminance of the held level"),
    Quantity("light_level", "V", "Light level", "mean sensor voltage above dark of the held level"),
    Quantity("power", "W", "Power", "mean electrical power", better="low"),
    Quantity(
        "power_overdrive",
        "W",
        "Power of overdrive",
        "difference to the same condition with the overdrive off",
        "mW",
        1e3,
        "low",
    ),
    Quantity("battery_runtime", "s", "Battery runtime", "for the stated battery energy", "h", 1 / 3600, "high"),
    Quantity(
        "battery_runtime_cost",
        "s",
        "Battery runtime cost",
        "runtime lost against the overdrive off",
        "min",
        1 / 60,
        "low",
    ),
    Quantity(
        "time_to_stable",
        "s",
        "Time to stable",
        "until the light stays within the stated band",
        "min",
        1 / 60,
        "low",
    ),
    _percent("drift", "Remaining drift", "change over the stated window, as a part of the mean"),
    _percent(
        "allan_deviation",
        "Allan deviation",
        "of the relative light, at the stated averaging time (NIST SP 1065)",
    ),
]
QUANTITIES: Final[dict[str, Quantity]] = {q.name: q for q in _ALL}
"""Quantity by name."""
