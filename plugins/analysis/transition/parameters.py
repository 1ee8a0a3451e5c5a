"""Parameters of the transition estimator."""

from __future__ import annotations

from typing import Annotated, Literal, Self, get_args

from greystep.schema.model import Model
from pydantic import Field, model_validator

from .domain import DomainName
from .rest import LevelSource
from .search import EndRule, StartRule

EachQuantity = Literal[
    "transition_duration", "settling_duration", "overshoot", "undershoot", "preshoot", "mean_lag", "completion"
]
MatrixQuantity = Literal[
    "transition_duration_mean",
    "transition_duration_median",
    "transition_duration_best",
    "transition_duration_worst",
    "transition_duration_rising",
    "transition_duration_falling",
    "transition_duration_darkest",
    "overshoot_mean",
    "overshoot_worst",
    "completion_mean",
    "within_refresh",
    "supported_refresh_rate",
]
ALL_EACH: tuple[EachQuantity, ...] = get_args(EachQuantity)
ALL_MATRIX: tuple[MatrixQuantity, ...] = tuple(
    q for q in get_args(MatrixQuantity) if q not in ("within_refresh", "supported_refresh_rate")
)


class TransitionParameters(Model):
    """What counts as start and end of a transition, and which figures are wanted."""

    domain: DomainName = "luminance"
    """Scale of the reference levels: luminance, code (measured curve), lightness (CIE 1976), srgb, bt1886, pq (assumed
    curves)."""
    start_fraction: Annotated[float, Field(gt=0, lt=1)] = 0.1
    """Start reference as a part of the step on that scale; not used with a band."""
    end_fraction: Annotated[float, Field(gt=0, lt=1)] = 0.9
    """End reference as a part of the step; not used with a band."""
    band: Annotated[float, Field(gt=0)] | None = None
    """Instead of fractions: distance from start and end level on the scale, in codes or in L*."""
    start_rule: StartRule = "last_exit"
    """Which leaving of the start level counts: the last before the middle of the step, or the first."""
    end_rule: EndRule = "first_entry"
    """Which reaching of the end level counts: the first, or the last (settled: it stays within the band)."""
    levels: LevelSource = "auto"
    """State levels from windows of the trace (auto checks them against the steady captures), from the steady captures,
    or by the IEEE 181 histogram."""
    settling_tolerance: Annotated[float, Field(gt=0, lt=0.5)] = 0.05
    """Band of the settling duration as a part of the step; a `band` goes first."""
    sensor: Literal["correct", "keep"] = "correct"
    """Whether the sensor's own response is taken out."""
    widest_fit: Annotated[float, Field(gt=0, le=1)] = 0.25
    """Limit of the fit around a crossing, as a part of the record on either side; noise sets the width within it."""
    share: Annotated[float, Field(gt=0, le=1)] = 0.95
    """Part of the transitions that must keep up, for the supported refresh rate."""
    darkest: Annotated[int, Field(ge=1, le=16)] = 2
    """How many of the lowest levels count as dark."""
    quantities: tuple[EachQuantity, ...] = ALL_EACH
    """Figures of each transition."""
    matrix: tuple[MatrixQuantity, ...] = ALL_MATRIX
    """Figures of the whole matrix."""

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.start_fraction >= self.end_fraction:
            raise ValueError(f"start_fraction {self.start_fraction:g} must be below end_fraction {self.end_fraction:g}")
        if self.band is not None:
            if self.domain == "luminance":
                raise ValueError("a band needs a scale with units of its own: domain code, lightness, srgb, bt1886 or pq")
            if self.domain == "lightness" and self.band >= 50:
                raise ValueError(f"a band of {self.band:g} is wider than half of the whole lightness scale (100)")
            if self.domain != "lightness" and self.band >= 32768:
                raise ValueError(f"a band of {self.band:g} is wider than half of any code range")
        return self
