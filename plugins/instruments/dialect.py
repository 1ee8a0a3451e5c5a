"""A dialect: the words of an instrument, one TOML file. Every role that the file describes is a table of its own."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Final, Literal

from greystep.schema.model import Model
from greystep.schema.roles import TriggerSource
from pydantic import Field, field_validator, model_validator

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


class SessionWords(Words):
    """What every session needs, whatever the role. The defaults are IEEE 488.2 and SCPI-1999."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "identity": (),
        "startup": (),
        "reset": (),
        "echo": ("token",),
        "echo_end": (),
        "ready": (),
        "next_error": (),
    }

    identity: str = "*IDN?"
    """Asks who it is; empty: it can't say."""
    identity_pattern: str = ""
    """Regular expression that the identity must contain; empty: anything."""
    terminator: Annotated[str, Field(max_length=4)] = "\n"
    """Ends each command."""
    reply_terminator: Annotated[str, Field(min_length=1, max_length=4)] = "\n"
    """Ends each text reply."""
    block_terminator: Annotated[str, Field(max_length=4)] = "\n"
    """Follows each block."""
    startup: Commands = ("*CLS",)
    """Sent once after opening and after each reconnection."""
    reset: Commands = ("*RST",)
    """Brings all settings to their start values."""
    echo: str = "*ESE {token};*ESE?"
    """Sets a harmless register to a number and asks for it: proves that replies are fresh. Empty: there is none."""
    echo_end: str = "*ESE 0"
    """Puts that register back."""
    echo_values: Annotated[int, Field(ge=4, le=1 << 16)] = 256
    """The register takes numbers below this."""
    guard: bool = True
    """Put the echo in front of every query, in one message (`*ESE 7;*ESE?;READ?`), so that a late or slipped reply is told from
    a fresh one. Switch it off where the instrument does not answer two queries in one message with `;` in between."""
    ready: str = "*OPC?"
    """Answered when all that was sent before is done; empty: there is none."""
    ready_reply: str = "1"
    """The answer to it."""
    next_error: str = "SYST:ERR?"
    """Takes the oldest entry from the error queue; empty: there is none."""
    ready_after_command: bool = False
    """Quirk: it loses commands unless `ready` is asked after each."""
    delay_s: Annotated[float, Field(ge=0, le=10)] = 0.0
    """Quirk: pause after each command that has no reply, in s."""

    @field_validator("identity_pattern")
    @classmethod
    def _compiles(cls, value: str) -> str:
        try:
            re.compile(value)
        except re.error as exc:
            raise ValueError(f"not a regular expression: {exc}") from exc
        return value


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


class PatternWords(Words):
    """Words of a pattern source."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "bits": (),
        "delay_s": (),
        "level": ("code",),
        "list": (
            "codes",
            "dwell_s",
            "count",
        ),
        "play": (),
        "played": (),
        "stop": (),
        "names": (),
        "values": ("name",),
        "set": (
            "name",
            "value",
        ),
        "get": ("name",),
        "settled": (),
        "keep_alive": ("timeout_s",),
    }

    bits: Annotated[int, Field(ge=1, le=16)] | Asked = 8
    """Bits of a level, or the query of it."""
    delay_s: Annotated[float, Field(ge=0)] | Asked = 0.0
    """Its own delay from the sync edge to the wire in s, or the query of it."""
    level: Commands
    """Drive one level."""
    list: Commands
    """Load levels with one dwell for all."""
    list_limit: Annotated[int, Field(ge=1)] = 4096
    """Most levels of a list."""
    separator: str = ","
    """Between the levels of a list."""
    play: Commands
    """Start the list."""
    played: AskedWhether
    """Yes when the list is over."""
    stop: Commands
    """Stop the list."""
    names: Asked | None = None
    """List of the DUT's settings; missing: it has none."""
    values: Asked | None = None
    """List of the allowed values of a setting, or `low:high`."""
    set: Commands = ()
    """Set one of them."""
    get: Asked | None = None
    """The value it has; compared after setting."""
    settled: AskedWhether | None = None
    """Yes when the DUT has taken a change of its settings; missing: at once."""
    settle_s: Annotated[float, Field(gt=0, le=3600)] = 30.0
    """Longest time that this may take, in s."""
    keep_alive: Commands = ()
    """Ask for level 0 when no command comes for so long; missing: it can't."""


class MeterWords(Words):
    """Words of a meter."""

    PLACES: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "aperture": ("aperture_s",),
        "aperture_set": (),
        "read": (),
    }

    unit: str
    """Unit of the reading after scaling."""
    aperture: Commands = ()
    """Set the averaging time; missing: it has none."""
    aperture_set: Asked | None = None
    """The averaging time it has, in s."""
    read: Asked
    """Take a reading."""
    low: float | None = None
    """Lowest possible reading."""
    high: float | None = None
    """Highest possible reading."""


class Dialect(Model):
    """The whole file."""

    dialect: Literal[1]
    """Version of this format."""
    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
    """Name that `bench.toml` uses."""
    summary: str = ""
    """One line for people."""
    session: SessionWords = SessionWords()
    """Words of all roles."""
    digitiser: DigitiserWords | None = None
    """Words of a digitiser."""
    pattern: PatternWords | None = None
    """Words of a pattern source."""
    luminance: MeterWords | None = None
    """Words of a luminance meter."""
    power: MeterWords | None = None
    """Words of a power meter."""
    temperature: MeterWords | None = None
    """Words of a thermometer."""

    @model_validator(mode="after")
    def _something(self) -> Dialect:
        if not self.roles():
            raise ValueError("the dialect describes no role: give a table such as [digitiser] or [luminance]")
        return self

    def roles(self) -> tuple[str, ...]:
        """Roles that it describes."""
        names = ("digitiser", "pattern", "luminance", "power", "temperature")
        return tuple(name for name in names if getattr(self, name) is not None)

    def words(self, role: str) -> Any:
        """Words of a role, or None."""
        return getattr(self, role)
