"""A display in one condition: delays, overdrive, backlight and power that follow from its data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .backlight import Modulation, PulsedLight, RefreshDip, dimmed
from .model import Condition, PanelSpec
from .overdrive import overdriven_target

MAKERS_ROOM_C = 23.0
"""Room in which the maker filled the overdrive table."""
FRAME_TOLERANCE = 1e-6
"""A level that arrives within this part of a frame after its start still belongs to it (rounding of sums)."""


@dataclass(frozen=True)
class Display:
    """One panel in one condition, switched on at `on_s` in a room of `room_c`, its frames counted from `phase_s`."""

    spec: PanelSpec
    condition: Condition
    phase_s: float = 0.0
    on_s: float = -1e9
    room_c: float = 23.0

    @cached_property
    def frame_s(self) -> float:
        """Frame period, s."""
        return 1.0 / self.condition.refresh_rate_hz

    @cached_property
    def latency_s(self) -> float:
        """From the start of a frame at the input to the change of the drive under the sensor, s."""
        spec = self.spec
        scan = spec.sensor_place * spec.scan_share
        latency: float = (spec.processing_frames + scan) * self.frame_s + spec.processing_s
        return latency

    @cached_property
    def modulation(self) -> Modulation:
        """What the backlight (or the pixel's refresh) does to the light."""
        spec, condition = self.spec, self.condition
        fraction = condition.luminance_percent / 100.0
        at_sensor = self.phase_s + self.latency_s
        if condition.strobe and spec.strobe is not None:
            start = at_sensor + spec.strobe.phase * self.frame_s
            return PulsedLight(self.frame_s, spec.strobe.duty, spec.strobe.gain * fraction, 0.0, start)
        if spec.dip_depth > 0 and fraction >= 1.0:
            return RefreshDip(self.frame_s, spec.dip_s, spec.dip_depth, at_sensor)
        return dimmed(fraction, spec.pwm_hz, spec.pwm_depth, self.phase_s)

    def drive(self, level: int) -> float:
        """Drive 0..1 of a level."""
        return level / self.spec.top_level

    def first_frame_target(self, before: int, level: int) -> float:
        """Drive of the first frame after a change of level: beyond the goal with overdrive."""
        overshoot = self.spec.overdrive[self.condition.overdrive]
        goal = self.drive(level)
        if overshoot is None:
            return goal
        spec, warm_c = self.spec, MAKERS_ROOM_C + self.spec.warm_up.rise_k
        return overdriven_target(spec.speed, warm_c, self.frame_s, overshoot, spec.headroom, self.drive(before), goal)

    def frame_at_or_after_s(self, t_s: float, last_frame_s: float = -math.inf) -> float:
        """Start of the frame that can carry a level which reaches the input at `t_s`.

        With variable refresh the display waits for the source, but not less than one frame after the last.
        """
        if self.condition.vrr:
            return max(t_s, last_frame_s + self.frame_s)
        count = math.ceil((t_s - self.phase_s) / self.frame_s - FRAME_TOLERANCE)
        return self.phase_s + count * self.frame_s

    def temperature_c(self, t_s: float) -> float:
        """Temperature of the panel, deg C."""
        return float(self.spec.warm_up.temperature_c(max(0.0, t_s - self.on_s), self.room_c))

    def mean_light_factor(self, t_s: float) -> float:
        """Factor on the light of the cell, averaged over the modulation: warm-up drift and luminance setting."""
        return float(self.spec.warm_up.luminance_factor(max(0.0, t_s - self.on_s))) * self.modulation.mean

    def light_factor(self, t_s: NDArray[np.float64], modulated: bool) -> NDArray[np.float64] | float:
        """Factor on the light of the cell at sorted instants.

        The warm-up drift over one record is far below the resolution of everything here: one value a record.
        """
        begin = float(t_s[0]) if len(t_s) else 0.0
        mean = self.mean_light_factor(begin)
        if not modulated or math.isinf(self.modulation.period_s):
            return mean
        return self.modulation.factor(t_s) * (mean / self.modulation.mean)

    def power_w(self, mean_luminance_cd_m2: float) -> float:
        """Electrical power at a mean luminance of the surface, W."""
        power, condition = self.spec.power, self.condition
        fraction = condition.luminance_percent / 100.0
        overdriven = self.spec.overdrive[condition.overdrive] is not None
        return (
            power.idle_w
            + power.per_hz_w * max(0.0, condition.refresh_rate_hz - 60.0)
            + power.backlight_w * fraction
            + power.emission_w_per_cd_m2 * mean_luminance_cd_m2
            + (power.overdrive_w if overdriven else 0.0)
        )
