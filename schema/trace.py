"""Prepared traces: what estimators see. Light above dark, by transition or by held level, with the context of the group.

A preparer turns a `Capture` into these subjects; an estimator turns a subject into figures. Both are pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel

from .capture import Capture, Kind
from .dut import Condition, Sensor
from .figure import Figure

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Transition:
    """All repeats of one ordered pair of levels."""

    from_level: int
    to_level: int
    light: Array
    """[repeat, sample] light above dark in `unit`; ripple removed as the preparation says."""
    start_s: float
    """Time of the first sample relative to the level command's sync edge, in s."""
    interval_s: float
    """Between samples, in s."""
    unit: str = "V"
    """V, or cd/m2 when the responsivity is known."""
    quantum: float = 0.0
    """One code of the digitiser in `unit`."""
    raw: Array | None = None
    """[repeat, sample] before ripple removal, where that differs; for pictures and budgets."""
    flags: tuple[str, ...] = ()
    """Names of `FIGURE_FLAGS` that already hold for this transition (clipped, no_trigger, ripple, ...)."""
    smoothing_s: float = 0.0
    """Length of the window that the preparation averaged over, in s; 0: none."""
    gap_s: float = 0.0
    """Longest stretch in which the backlight gave no light and the trace was filled from both sides, in s; 0: none."""
    command_delay_s: float = 0.0
    """From the sync edge to the wire, in s: the pattern source's own delay."""
    wanted_repeats: int = 0
    """What the plan asked for; fewer in `light` means that segments were left out."""

    @property
    def times_s(self) -> Array:
        """[sample] times relative to the sync edge."""
        return self.start_s + self.interval_s * np.arange(self.light.shape[1], dtype=np.float64)


@dataclass(frozen=True)
class Steady:
    """One held level."""

    level: int
    light: Array
    """[repeat, sample] light above dark in `unit`, ripple not removed."""
    interval_s: float
    unit: str = "V"
    quantum: float = 0.0
    luminance_cd_m2: float | None = None
    """Reading of the luminance meter at the same time."""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Series:
    """A slow series of a meter (trend) or power readings."""

    kind: Kind
    times_s: Array
    """[sample] since the start."""
    values: Array
    """[segment, sample] in `unit`."""
    unit: str
    levels: tuple[int, ...] = ()
    """[segment] held level; the pair's upper level where it was toggling."""
    toggling: tuple[bool, ...] = ()
    """[segment] whether levels were toggling."""
    reading_u: float | None = None
    """Standard uncertainty of one reading by the meter's specification."""
    flags: tuple[str, ...] = ()


Subject = Transition | Steady | Series


@dataclass(frozen=True)
class Curve:
    """Code-to-light curve from the steady captures (or assumed)."""

    levels: Array
    """[level] codes, ascending."""
    light: Array
    """[level] mean light above dark in `unit`, made monotone."""
    u: Array
    """[level] standard uncertainty."""
    dof: Array
    """[level] degrees of freedom."""
    unit: str
    source: str = "measured"
    """measured, or the name of the assumed curve (srgb, bt1886, pq)."""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Ripple:
    """Periodic modulation of the backlight or of the refresh."""

    kind: str = "none"
    """none, pwm, strobe, refresh, dither."""
    frequency_hz: float = 0.0
    depth: float = 0.0
    """(max - min) / (max + min) at the highest steady level."""
    duty: float = 1.0
    """Part of the period above the mid line."""
    u_frequency_hz: float = 0.0
    phase_stable: bool = False
    """Whether the phase holds over a record, so that the waveform can be divided out."""
    waveform: Array | None = None
    """[phase] one period, mean 1."""
    u_waveform: float = 0.0
    """Standard uncertainty of a point of the waveform (root mean square)."""


@dataclass(frozen=True)
class Context:
    """What holds for the whole group (run and condition)."""

    condition: Condition
    sensor: Sensor = Sensor()
    curve: Curve | None = None
    ripple: Ripple = Ripple()
    bits: int = 8
    luminance_scale: float | None = None
    """cd/m2 per V, when it is known."""
    timebase_rel_u: float = 5e-5
    """Relative standard uncertainty of the digitiser's time base."""
    battery_wh: float | None = None
    system_power_w: float | None = None
    origin: str = "acquired"
    complete: bool = True
    """Whether every planned capture of the group is there."""
    others: Mapping[str, Any] = field(default_factory=dict)
    """Facts from outside the group, by name. `figures`: Mapping[condition key, Sequence[Figure]], what the same method gave for
    the other groups of the run (captures and group), for figures that compare conditions such as `power_overdrive`.
    `luminance_scale_rel_u`: relative standard uncertainty of `luminance_scale`."""


class Preparer(Protocol):
    """Turns captures into subjects. Pure: no files, no clock, no logging."""

    id: str
    version: int
    Parameters: type[BaseModel]

    def context(self, captures: Sequence[Capture], parameters: BaseModel) -> Context:
        """The context of a group from its steady captures (may be empty), and trend and power captures if any."""

    def subjects(self, capture: Capture, context: Context, parameters: BaseModel) -> list[Subject]:
        """The subjects of one capture: two transitions of a step capture (one for each direction), one steady, ..."""


class Estimator(Protocol):
    """Turns subjects into figures. Pure; the docstring gives formula, units, and clause or paper."""

    id: str
    version: int
    title: str
    kinds: frozenset[Kind]
    """Capture kinds that it reads."""
    Parameters: type[BaseModel]

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """Figures of one subject. Never raises for a bad trace: gives a bound or a reason, and flags."""

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """Figures of the whole group from the figures of its subjects (means over the matrix and so on)."""

    def explain(self, parameters: BaseModel) -> str:
        """The method in words with its formula, fit to be published beside the numbers."""
