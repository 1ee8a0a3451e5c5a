"""A panel as data: what a maker would put in a data sheet, and the condition that a person sets on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .cell import CellSpeed
from .curve import LightCurve
from .thermal import WarmUp


@dataclass(frozen=True)
class PowerDraw:
    """Electrical power of a display."""

    idle_w: float
    """Electronics at 60 Hz, W."""
    per_hz_w: float
    """Extra for each Hz of refresh rate above 60, W."""
    backlight_w: float
    """Backlight at full luminance, W; 0 for a self-emitting panel."""
    emission_w_per_cd_m2: float
    """Power of the light itself, W per cd/m2 of the whole surface; 0 for an LCD."""
    overdrive_w: float
    """Extra while an overdrive table is in use, W."""


@dataclass(frozen=True)
class Strobe:
    """A backlight that flashes once a frame."""

    duty: float
    """Part of the frame with light."""
    phase: float
    """Start of the flash within the frame at the sensor's place, 0..1."""
    gain: float
    """Luminance while on, relative to the steady backlight."""


@dataclass(frozen=True)
class PanelSpec:
    """One invented display."""

    name: str
    """Short name used on the command line."""
    maker: str
    model: str
    serial: str
    technology: str
    """Free text: IPS LCD, OLED, ..."""
    firmware: str
    hardware: str
    story: str
    """What class of display it stands for."""
    curve: LightCurve
    speed: CellSpeed
    warm_up: WarmUp
    power: PowerDraw
    refresh_rates_hz: tuple[float, ...]
    """Allowed refresh rates; the first is the one it starts in."""
    overdrive: Mapping[str, float | None] = field(default_factory=lambda: {"off": None})
    """Overdrive modes: part of the step that may be overshot, None for no overdrive; the first is the default."""
    headroom: float = 0.0
    """How far overdrive may leave the drive range 0..1."""
    processing_frames: float = 0.0
    """Whole and part frames that the electronics hold back."""
    processing_s: float = 0.0
    """Fixed processing delay, s."""
    scan_share: float = 0.96
    """Part of the frame period during which lines are written."""
    sensor_place: float = 0.5
    """Where the sensor sits: 0 the first line, 1 the last."""
    luminance_percent: tuple[float, float] = (100.0, 100.0)
    """Range of the luminance setting, percent of full."""
    pwm_hz: float = 0.0
    """Dimming frequency, 0 for direct current."""
    pwm_depth: float = 0.0
    """Depth of the dimming wave, 0..1."""
    dip_depth: float = 0.0
    """Depth of the refresh dip of a self-emitting panel."""
    dip_s: float = 0.0
    """Duration of that dip, s."""
    strobe: Strobe | None = None
    """Strobed backlight, where there is one."""
    vrr: bool = False
    """Whether the refresh can follow the source."""
    depth_bits: int = 8
    """Bits of a level."""

    @property
    def top_level(self) -> int:
        """Largest level."""
        return (1 << self.depth_bits) - 1

    def default_condition(self) -> Condition:
        """What the display starts in."""
        return Condition(self.refresh_rates_hz[0], next(iter(self.overdrive)), self.luminance_percent[1], False, False)


@dataclass(frozen=True)
class Condition:
    """All that can be set on a display."""

    refresh_rate_hz: float
    overdrive: str
    luminance_percent: float
    vrr: bool
    strobe: bool

    def as_dict(self) -> dict[str, float | str | bool]:
        """Plain values, for JSON."""
        return {
            "refresh_rate_hz": self.refresh_rate_hz,
            "overdrive": self.overdrive,
            "luminance": self.luminance_percent,
            "vrr": self.vrr,
            "strobe": self.strobe,
        }
