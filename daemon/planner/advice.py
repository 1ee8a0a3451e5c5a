"""Sample rate, record length and repeats for a wanted uncertainty. Pure.

Taken for an exponential transition, the shape with the sharpest corner and the longest tail among the usual ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

from greystep.schema.uncertainty import t_factor

LN9: Final = math.log(9.0)
SAMPLES_IN_TRANSITION: Final = 40
"""Twice the number below which a figure is flagged `few_samples`."""
ABOVE_BOUND: Final = 3.6
"""Scatter of a threshold estimator on a smoothed trace, as a multiple of the Cramer-Rao bound (measured at 20 to 40 dB)."""
MAX_REPEATS: Final = 1000
SLOW_ENOUGH_S: Final = 0.15
"""Two holds are one flash: longer than 1/7 s, no second holds more than three (WCAG 2.x SC 2.3.1)."""
_LOWEST_RIPPLE_HZ: Final = 20.0
_TAIL: Final = 0.25
"""Part of the record, at its end, from which the final level is taken."""


@dataclass(frozen=True)
class Wanted:
    """What is known and what is wanted."""

    fastest_s: float
    """Shortest transition expected, 10 to 90 %, in s."""
    slowest_s: float
    """Longest transition expected, 10 to 90 %, in s."""
    uncertainty: float = 0.02
    """Expanded uncertainty (95 %) wanted from the repeats, as a part of the duration."""
    noise: float = 0.005
    """Standard deviation of one sample, as a part of the step, at the sample rate that is advised."""
    scatter: float = 0.0
    """Standard deviation of the display itself from one transition to the next, as a part of the duration."""
    ripple_hz: float = 0.0
    """PWM or refresh frequency of the light; 0: none."""
    bandwidth_hz: float | None = None
    """Of the sensor; None: not known."""


@dataclass(frozen=True)
class Advice:
    """What to set."""

    sample_rate_hz: float
    hold_s: float
    """Long enough for the slowest transition, and never so short that the screen flashes above the general threshold."""
    pretrigger_s: float
    repeats: int | None
    """None: no number of repeats up to 1000 reaches the wanted uncertainty."""
    expected: float
    """Expanded uncertainty that the repeats give, as a part of the duration."""
    record_samples: int
    shortest_hold_s: float
    """What the slowest transition asks for; shorter than `hold_s` where only the flashing is the limit."""
    notes: tuple[str, ...] = field(default_factory=tuple)


def advise(wanted: Wanted) -> Advice:
    """Advice for one kind of panel. Durations and uncertainty must be positive, `slowest_s` not below `fastest_s`."""
    rate = sample_rate_hz(wanted)
    pretrigger = max(0.02, 2.0 / max(wanted.ripple_hz, _LOWEST_RIPPLE_HZ) if wanted.ripple_hz else 0.0)
    needed = _ceil2(pretrigger + tail_lengths(wanted.uncertainty / 4) * wanted.slowest_s / LN9 / (1 - _TAIL))
    hold = max(needed, SLOW_ENOUGH_S)
    one = scatter_of_one(wanted, rate)
    repeats = repeats_for(one, wanted.uncertainty)
    count = repeats or MAX_REPEATS
    return Advice(
        rate,
        hold,
        pretrigger,
        repeats,
        expanded(one, count),
        round(hold * rate),
        needed,
        (*_notes(wanted, rate, repeats), *_flashing(needed)),
    )


def sample_rate_hz(wanted: Wanted) -> float:
    """Samples enough within the fastest transition, and twenty within a period of the ripple; rounded up to 1, 2 or 5."""
    need = max(SAMPLES_IN_TRANSITION / wanted.fastest_s, 20.0 * wanted.ripple_hz, 1000.0)
    decade = 10.0 ** math.floor(math.log10(need))
    return next(decade * m for m in (1.0, 2.0, 5.0, 10.0) if decade * m >= need * (1 - 1e-12))


def truncation_error(n: float) -> float:
    """Relative error of the 10-90 duration of an exponential when the final level is taken `n` time constants after the step.

    With A = 1 - exp(-n) in place of 1, the duration is ln[(1 - 0.1 A) / (1 - 0.9 A)] time constants instead of ln 9.
    """
    a = 1.0 - math.exp(-n)
    return math.log((1 - 0.1 * a) / (1 - 0.9 * a)) / LN9 - 1.0


def tail_lengths(error: float) -> float:
    """Time constants after which the final level is good enough for an error of the duration."""
    low, high = 0.1, 60.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if abs(truncation_error(middle)) > error else (low, middle)
    return high


def scatter_of_one(wanted: Wanted, rate_hz: float) -> float:
    """Standard deviation of the duration from one repeat to the next, as a part of the duration.

    Noise: the bound of the 10-90 duration of an exponential is ln 9 sqrt(8) (sigma / A) sqrt(tau dt).
    """
    tau = wanted.fastest_s / LN9
    noise = ABOVE_BOUND * math.sqrt(8.0) * wanted.noise * math.sqrt(1.0 / rate_hz / tau)
    return math.hypot(noise, wanted.scatter)


def expanded(scatter: float, repeats: int) -> float:
    """Expanded uncertainty (95 %) of a mean, with Student's factor."""
    return t_factor(repeats - 1) * scatter / math.sqrt(repeats)


def repeats_for(scatter: float, uncertainty: float) -> int | None:
    """Fewest repeats, at least 3, that reach an uncertainty; None when 1000 don't."""
    low, high = 3, MAX_REPEATS
    if expanded(scatter, high) > uncertainty:
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if expanded(scatter, middle) <= uncertainty else (middle + 1, high)
    return high


def _notes(wanted: Wanted, rate: float, repeats: int | None) -> list[str]:
    out = []
    if wanted.bandwidth_hz and 0.35 / wanted.bandwidth_hz > 0.2 * wanted.fastest_s:
        own = 0.35 / wanted.bandwidth_hz
        out.append(f"the sensor's own transition of {own * 1e3:.3g} ms is not short against {wanted.fastest_s * 1e3:.3g} ms")
    if wanted.bandwidth_hz and rate < 2 * wanted.bandwidth_hz:
        out.append(
            "the sensor passes more than half the sample rate: noise from above folds in; limit its bandwidth if it can be"
        )
    if wanted.slowest_s > 50 * wanted.fastest_s:
        out.append("fastest and slowest are far apart: two plans with their own levels need fewer samples than one")
    if repeats is None:
        out.append("no number of repeats up to 1000 is enough: lower the noise, or ask for less")
    elif repeats > 20:
        out.append("that many repeats are for a driven display; by hand, lower the noise first")
    return out


def _flashing(needed_s: float) -> list[str]:
    if needed_s >= SLOW_ENOUGH_S:
        return []
    return [f"{needed_s:g} s of hold would do; it is longer so that the screen does not flash more than three times a second"]


def _ceil2(value: float) -> float:
    """Rounded up to two digits."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return round(math.ceil(value / step - 1e-9) * step, 12)
