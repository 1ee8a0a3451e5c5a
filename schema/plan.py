"""A plan: what to measure. The user writes it as TOML; it is kept with every capture."""

from __future__ import annotations

from itertools import combinations
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from .dut import DUT, Condition, Text
from .model import Model

Level = Annotated[int, Field(ge=0, le=65535)]
Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]


class Levels(Model):
    """Which grey levels are driven."""

    bits: Annotated[int, Field(ge=6, le=16)] = 8
    """Bits of a level: 8 gives 0 to 255."""
    step: Annotated[tuple[Level, ...], Field(max_length=33)] = (0, 64, 128, 192, 255)
    """Levels between which every transition is taken, both directions."""
    pairs: tuple[tuple[Level, Level], ...] | None = None
    """Take only these pairs instead (both directions of each)."""
    steady: Annotated[tuple[Level, ...], Field(max_length=257)] | None = None
    """Levels held for the code-to-light curve; None: 17 levels over the range and the step levels."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        top = 2**self.bits - 1
        for name in ("step", "steady"):
            values = getattr(self, name) or ()
            high = [v for v in values if v > top]
            if high:
                raise ValueError(f"{name} level {high[0]} is above {top}, the highest of {self.bits} bits")
            if len(set(values)) != len(values):
                raise ValueError(f"{name} has a level twice")
        if self.pairs is None and len(self.step) < 2:
            raise ValueError("step needs at least two levels")
        for a, b in self.pairs or ():
            if a == b or max(a, b) > top:
                raise ValueError(f"the pair [{a}, {b}] needs two different levels up to {top}")
        return self

    def step_pairs(self) -> list[tuple[int, int]]:
        """Unordered pairs, each to be toggled in both directions; low level first."""
        chosen = self.pairs if self.pairs is not None else tuple(combinations(self.step, 2))
        return sorted({(min(p), max(p)) for p in chosen})

    def steady_levels(self) -> list[int]:
        """Levels to hold, ascending: all step levels are among them."""
        top = 2**self.bits - 1
        grid = self.steady if self.steady is not None else tuple(round(i * top / 16) for i in range(17))
        return sorted(set(grid) | {v for pair in self.step_pairs() for v in pair})


class CaptureSettings(Model):
    """How each capture is taken."""

    repeats: Annotated[int, Field(ge=1, le=1000)] = 10
    """Repeats of each direction of each pair."""
    hold_s: Annotated[float, Field(gt=0, le=60)] = 0.25
    """How long each level is held while toggling, in s: longer than the slowest transition."""
    pretrigger_s: Annotated[float, Field(ge=0, le=10)] = 0.02
    """Record before each change, in s."""
    sample_rate_hz: Annotated[float, Field(gt=10, le=1e9)] = 50e3
    """Samples a second."""
    settle_s: Annotated[float, Field(ge=0, le=60)] | None = None
    """How long the first level is held before a capture, in s; None: as `hold_s`."""
    steady_s: Annotated[float, Field(gt=0, le=60)] = 0.2
    """Length of a steady record, in s."""
    retries: Annotated[int, Field(ge=0, le=10)] = 2
    """How often a clipped or untriggered segment's capture is taken again."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.pretrigger_s >= self.hold_s:
            raise ValueError("pretrigger_s must be shorter than hold_s")
        if self.hold_s * self.sample_rate_hz > 50e6:
            raise ValueError("hold_s times sample_rate_hz is over 50 million samples a segment")
        if self.hold_s * self.sample_rate_hz < 64:
            raise ValueError("hold_s times sample_rate_hz is under 64 samples a segment")
        return self


class PowerSettings(Model):
    """Power figures of each condition; needs a power meter on the bench."""

    readings: Annotated[int, Field(ge=2, le=10000)] = 10
    """Readings at each level."""
    levels: tuple[Level, ...] = ()
    """Levels held while reading; empty: the middle of the range, and the widest pair toggling."""
    battery_wh: Annotated[float, Field(gt=0)] | None = None
    """Energy of the battery in W h, for the effect on runtime."""
    system_power_w: Annotated[float, Field(gt=0)] | None = None
    """Mean power of the whole device in use, in W; None: as measured."""


class WarmUp(Model):
    """Wait before the first capture until the light is stable; needs a luminance meter."""

    level: Level | None = None
    """Level held; None: the highest."""
    minimum_s: Annotated[float, Field(ge=0, le=86400)] = 0.0
    """At least this long, in s."""
    maximum_s: Annotated[float, Field(gt=0, le=86400)] = 3600.0
    """At most this long, in s; then the run goes on with a flag."""
    interval_s: Annotated[float, Field(gt=0, le=600)] = 5.0
    """Between two readings, in s."""
    window_s: Annotated[float, Field(gt=0, le=7200)] = 60.0
    """Stable when the light changed by less than `tolerance_percent` over this time, in s."""
    tolerance_percent: Annotated[float, Field(gt=0, le=50)] = 0.5
    """See `window_s`."""


class Plan(Model):
    """What to measure."""

    name: Annotated[Text, Field(min_length=1)] = "plan"
    """Name of the plan for people."""
    dut: DUT
    """Display under test."""
    condition: Annotated[tuple[Condition, ...], Field(min_length=1, max_length=64)]
    """Conditions, one after another."""
    levels: Levels = Levels()
    """Grey levels."""
    capture: CaptureSettings = CaptureSettings()
    """How each capture is taken."""
    power: PowerSettings | None = None
    """Power figures; None: none."""
    warm_up: WarmUp | None = None
    """Wait for stable light first; None: don't."""
    methods: tuple[Name, ...] = ()
    """Methods to compute at once; empty: the house method and the built-in ones named in `bench.toml`."""
    flash_acknowledged: bool = False
    """Set to true once everybody near the bench knows that the screen will flash."""
    priority: Annotated[int, Field(ge=-100, le=100)] = 0
    """Higher goes first in the queue."""
    operator: Text = ""
    """Who asked for it."""
    notes: Annotated[str, Field(max_length=4000)] = ""
    """Anything to remember."""
    pattern: Literal["driven", "manual"] = "driven"
    """Who changes the level: the pattern source, or a person by hand (`greystep capture`)."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        keys = [c.key for c in self.condition]
        if len(set(keys)) != len(keys):
            raise ValueError("the same condition stands twice")
        return self
