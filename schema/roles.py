"""Driver roles: the small interface that each instrument on the bench offers. Drivers are written against these.

Every call has a deadline and either does what it says or raises an `InstrumentError`; one thread owns a driver.
After any time-out a driver resynchronises (or reopens) before the next reply is believed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel

from .bench import Role
from .errors import Problem

TriggerSource = Literal["sync", "light", "immediate"]
DialogueSink = Callable[[str, str, str], None]
"""Called with (role, direction, text): `>` for every command, `<` for every reply, `!` for remarks. Bulk data as a digest."""


@dataclass(frozen=True)
class DriverSpec:
    """How a plugin offers a driver."""

    name: str
    """Name in `bench.toml`, such as `scpi-digitiser`."""
    role: Role
    summary: str
    """One line for people."""
    settings: type[BaseModel]
    """Model of the driver's settings in `bench.toml`."""
    open: Callable[[Any, DialogueSink], Any]
    """Called with the checked settings and the dialogue sink; returns the opened instrument. May block up to its time-out."""
    check: Callable[[Any], Sequence[CheckResult]] | None = None
    """Called with an opened instrument: does it keep the contract of its role and of its protocol? It may change settings and
    drive levels; the instrument is idle (a pattern source at level 0) afterwards."""
    find: Callable[[], Sequence[FoundResource]] | None = None
    """Looks for instruments that this driver could open. Drivers that would find the same share one function."""
    dialects: Callable[[Sequence[Path]], Sequence[DialectInfo]] | None = None
    """Reads dialect files, the built-in ones and those given (files or folders). Drivers with the same dialects share one."""


@dataclass(frozen=True)
class CheckResult:
    """One promise of an instrument, put to the test."""

    name: str
    """The promise, in a few words."""
    outcome: Literal["pass", "fail", "not supported"]
    detail: str = ""
    """What was seen instead, or why it can't be tested here."""
    sent: str = ""
    """Commands that were sent, one a line."""
    received: str = ""
    """Replies, one a line."""


@dataclass(frozen=True)
class FoundResource:
    """An instrument that could be opened, or a reason why some can't."""

    resource: str
    """Address for `bench.toml`; empty when this only tells what is missing."""
    about: str
    """What is known about it, in plain words."""
    missing: str = ""
    """What keeps it from being used, such as a permission or a package; empty when nothing does."""
    todo: str = ""
    """What the user can do about that."""


@dataclass(frozen=True)
class DialectInfo:
    """A dialect file."""

    name: str
    path: Path
    roles: Sequence[str]
    """Roles that it has words for; empty when it can't be used."""
    summary: str = ""
    problems: Sequence[Problem] = ()
    """Why it can't be used."""


@runtime_checkable
class Instrument(Protocol):
    """What all instruments do."""

    def identify(self) -> str:
        """The instrument's own words about itself (`*IDN?` where there is one)."""

    def settings(self) -> dict[str, Any]:
        """Settings as the instrument confirmed them, for the archive. Plain JSON values."""

    def recover(self) -> None:
        """Bring the session back to a known state (device clear, drain, error queue) or reopen it."""

    def close(self) -> None:
        """Release the session. Safe to call twice and after errors."""


@dataclass(frozen=True)
class ChannelSetup:
    """Vertical setting of a channel."""

    range_v: float
    """Full scale, peak to peak, in V."""
    offset_v: float = 0.0
    """Voltage at the centre of the range."""


@dataclass(frozen=True)
class DigitiserSetup:
    """What the runner asks for, and what the digitiser confirms."""

    sample_interval_s: float
    samples: int
    """Samples a segment."""
    pretrigger: int = 0
    """Samples before the trigger."""
    segments: int = 1
    channels: Mapping[int, ChannelSetup] = field(default_factory=dict)
    """Channel number -> setting; the channels to record."""
    trigger: TriggerSource = "sync"
    trigger_level_v: float = 1.5
    """For `light`: level on the light channel."""
    trigger_channel: int = 1
    """For `light`: the channel."""
    slope: Literal["positive", "negative", "either"] = "positive"


@dataclass(frozen=True)
class ChannelRecord:
    """Samples of one channel as sent."""

    codes: NDArray[Any]
    """[segment, sample]"""
    scale: float
    offset: float
    """volts = codes * scale + offset."""
    code_min: float | None = None
    code_max: float | None = None
    clipped: NDArray[np.bool_] | None = None
    """[segment] as the instrument says; None: not known, look at the codes."""


@dataclass(frozen=True)
class Record:
    """What a digitiser gives for one arming."""

    channels: Mapping[int, ChannelRecord]
    sample_interval_s: float
    first_sample_s: float
    """Time of sample 0 relative to the trigger."""
    trigger_s: NDArray[np.float64]
    """[segment] trigger instants since arming; NaN where not known."""
    complete: int
    """Segments that were triggered and filled; the first ones of `codes`."""


class Digitiser(Instrument, Protocol):
    """Records voltage against time."""

    def limits(self) -> DigitiserLimits:
        """What it can do."""

    def configure(self, setup: DigitiserSetup) -> DigitiserSetup:
        """Set it up; returns what it really set. Raises `RefusedError` when it can't."""

    def arm(self) -> None:
        """Start waiting for the first trigger of the configured segments. Returns when it is ready."""

    def wait(self, deadline_s: float) -> int:
        """Wait until all segments are filled or the deadline (seconds from now) passes; returns how many are filled."""

    def fetch(self) -> Record:
        """The filled segments of all channels."""

    def abort(self) -> None:
        """Back to idle. Idempotent."""


@dataclass(frozen=True)
class DigitiserLimits:
    """Limits of a digitiser; None: unknown."""

    max_segments: int = 1
    max_samples: int | None = None
    min_interval_s: float | None = None
    ranges_v: Sequence[float] | None = None
    """Allowed full scales, ascending; None: any."""
    channels: int = 1
    min_range_v: float | None = None
    """Smallest full scale that it takes, where `ranges_v` does not say it."""


class PatternSource(Instrument, Protocol):
    """Drives grey levels on the DUT."""

    def bits(self) -> int:
        """Bits of a level."""

    def delay_s(self) -> float:
        """Its own delay from the sync edge to the wire."""

    def allowed(self) -> Mapping[str, Sequence[str] | tuple[float, float]]:
        """Settings of the DUT that it can set: name -> allowed values, or (lowest, highest)."""

    def apply(self, settings: Mapping[str, Any]) -> None:
        """Set the DUT's condition. Raises `RefusedError` naming the setting that is not known or not allowed."""

    def level(self, code: int) -> None:
        """Drive one level now."""

    def play(self, levels: Sequence[int], dwell_s: float) -> None:
        """Start a list of levels, each held for `dwell_s`, each with one sync edge. Returns at once."""

    def wait(self, deadline_s: float) -> bool:
        """Wait until the list has been played; False when the deadline passed."""

    def keep_alive(self, timeout_s: float) -> None:
        """Ask for level 0 by itself when no command comes for `timeout_s` (0: off); nothing where it can't."""

    def safe(self) -> None:
        """Stop any list and drive level 0. Tries hard: called on every way out."""


def has_sync_output(pattern: PatternSource) -> bool:
    """Whether each change gives an edge to trigger on. A source without one says `sync_output = False` in its class."""
    return bool(getattr(pattern, "sync_output", True))


@dataclass(frozen=True)
class MeterReading:
    """One reading."""

    value: float
    unit: str
    """cd/m2, W, degC."""
    u: float | None = None
    """Standard uncertainty by the meter's specification, when known."""


class Meter(Instrument, Protocol):
    """Luminance meter, power meter or thermometer."""

    def read(self, aperture_s: float) -> MeterReading:
        """Mean over the aperture (where the meter has one)."""
