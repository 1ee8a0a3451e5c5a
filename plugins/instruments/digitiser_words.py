"""Words of a dialect for a digitiser."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Final, Literal

from greystep.schema.roles import TriggerSource
from pydantic import Field, model_validator

from .ask import Asked, AskedWhether
from .template import Commands, Words
from .waveform import Waveform

CHANNEL: Final = ("channel", "range_v", "offset_v", "low_v", "high_v")
SAMPLING: Final = (
    "sample_interval_s", "sample_rate_hz", "samples", "pretrigger", "posttrigger", "pretrigger_s",
    "pretrigger_fraction", "centre_s", "record_s", "segments",
)  # fmt: skip
Slope = Literal["positive", "negative", "either"]
TRIGGER: Final = ("trigger_level_v", "trigger_channel", "slope")


class Confirmed(Words):
    """Queries of what was really set; one that is missing is taken as asked for."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "sample_interval_s": (),
        "samples": (),
        "pretrigger": (),
        "segments": (),
        "range_v": ("channel",),
        "offset_v": ("channel",),
        "trigger_level_v": ("trigger_channel",),
    }

    sample_interval_s: Asked | None = None
    """Time between samples in s."""
    samples: Asked | None = None
    """Samples a segment."""
    pretrigger: Asked | None = None
    """Samples before the trigger."""
    segments: Asked | None = None
    """Segments."""
    range_v: Asked | None = None
    """Full scale of a channel, peak to peak, in V."""
    offset_v: Asked | None = None
    """Voltage at the centre of the range."""
    trigger_level_v: Asked | None = None
    """Trigger level in V."""


class DigitiserWords(Words):
    """Words of a digitiser."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "max_segments": (),
        "max_samples": (),
        "min_interval_s": (),
        "min_range_v": (),
        "prepare": (),
        "channel": CHANNEL,
        "channel_off": ("channel",),
        "sampling": SAMPLING,
        "trigger": TRIGGER,
        "abort": (),
        "arm": ("segments",),
        "armed": (),
        "count": (),
        "done": (),
        "timestamps": (),
        "clipped": ("channel",),
    }

    channels: Annotated[int, Field(ge=1, le=64)] = 2
    """How many it has."""
    channel_names: dict[str, str] = Field(default_factory=dict)
    """What stands for `{channel}` where it is not the number: `1 = "A"`."""
    ranges_v: tuple[Annotated[float, Field(gt=0)], ...] | None = None
    """Allowed full scales, peak to peak, in V, ascending; missing: any."""
    max_segments: Annotated[int, Field(ge=1)] | Asked = 1
    """Most segments, or the query of it."""
    max_samples: Annotated[int, Field(ge=1)] | Asked | None = None
    """Most samples a segment, or the query of it."""
    min_interval_s: Annotated[float, Field(gt=0)] | Asked | None = None
    """Shortest sample interval in s, or the query of it."""
    min_range_v: Annotated[float, Field(gt=0)] | Asked | None = None
    """Smallest full scale, peak to peak, in V, or the query of it; not needed with `ranges_v`."""
    prepare: Commands = ()
    """First of all."""
    channel: Commands
    """For each recorded channel."""
    channel_off: Commands = ()
    """For each channel that is not recorded."""
    sampling: Commands
    """Time base and memory."""
    trigger: dict[TriggerSource, Commands]
    """For each trigger source that it has."""
    slopes: dict[Slope, str] = {"positive": "POS", "negative": "NEG", "either": "EITH"}  # noqa: RUF012 - pydantic copies it
    """What stands for `{slope}`."""
    confirm: Confirmed = Confirmed()
    """What was really set."""
    abort: Commands = ()
    """Back to idle."""
    arm: Commands
    """Start waiting for triggers."""
    armed: AskedWhether | None = None
    """Yes when it waits for the trigger; missing: `ready` of the session is asked."""
    count: Asked | None = None
    """Segments that are complete."""
    done: AskedWhether | None = None
    """Yes when all segments are complete; used where `count` is missing."""
    waveform: Waveform
    """The records."""
    timestamps: Asked | None = None
    """List of the trigger instants since arming, in s."""
    clipped: Asked | None = None
    """List of 0 and 1 for each segment of a channel."""

    @model_validator(mode="after")
    def _complete(self) -> DigitiserWords:
        if self.count is None and self.done is None:
            raise ValueError("nothing tells when a record is complete: give `count` or `done`")
        return self
