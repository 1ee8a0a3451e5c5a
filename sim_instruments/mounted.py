"""The display on the bench: what was driven and set, and the light that followed."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .panel.display import Display
from .panel.model import Condition, PanelSpec
from .panel.trajectory import Trajectory

BLANK_S = 0.2
"""How long the screen stays dark after a change of mode, s."""
KEPT_EPOCHS = 400
"""Conditions that are remembered, for records not yet read out."""
WARM_S = 1e6
"""A display that has been on for this long is warm."""
MODE_KEYS = ("refresh_rate_hz", "vrr", "strobe")
"""Settings whose change makes the display blank its screen."""


class MountedDisplay:
    """One display in front of the sensor, from the moment it was put there.

    Its life is a list of epochs, one for each condition it was set to; the light at any instant is that of the epoch
    in force. A record can thus be worked out long after the condition was changed.
    """

    def __init__(self, spec: PanelSpec, now_s: float, cold: bool, room_c: float) -> None:
        self.spec = spec
        self.on_s = now_s if cold else now_s - WARM_S
        self.room_c = room_c
        self.condition = spec.default_condition()
        self.level = 0
        """Level driven last."""
        self._epochs: list[tuple[float, Trajectory | None]] = [(now_s, Trajectory(self._display(now_s), now_s, 0))]

    def _display(self, phase_s: float) -> Display:
        return Display(self.spec, self.condition, phase_s, self.on_s, self.room_c)

    @property
    def display(self) -> Display:
        """The display in its present condition."""
        return self.trajectory.display

    @property
    def trajectory(self) -> Trajectory:
        """Of the present condition."""
        trajectory = self._epochs[-1][1]
        assert trajectory is not None, "an epoch of darkness is never the last"
        return trajectory

    @property
    def ready_s(self) -> float:
        """When the present condition took effect, s."""
        return self._epochs[-1][0]

    def frame_for(self, t_s: float, after_frame_s: float | None = None) -> float:
        """Start of the frame (at the display's input) that carries a level arriving at `t_s`."""
        last_s = self.trajectory.levels[-1][0] if after_frame_s is None else after_frame_s
        return self.display.frame_at_or_after_s(max(t_s, self.ready_s), last_s)

    def send(self, frame_s: float, level: int) -> None:
        """A frame with `level` starts at the display's input."""
        self.level = level
        self.trajectory.extend([(frame_s, level)])

    def change(self, now_s: float, **settings: float | str | bool) -> None:
        """Set the display. A change of mode blanks it for a while; its frames count anew."""
        before, self.condition = self.condition, replace(self.condition, **settings)  # type: ignore[arg-type]
        start_s = max(now_s, self.ready_s)
        if any(getattr(before, key) != getattr(self.condition, key) for key in MODE_KEYS):
            # Behind the dark screen the cells come to rest.
            lit_s = max(start_s, now_s + BLANK_S)
            self._epochs += [(start_s, None), (lit_s, Trajectory(self._display(lit_s), lit_s, self.level))]
        else:
            same_frames = self._display(self.display.phase_s)
            self._epochs.append((start_s, self.trajectory.continued(same_frames, start_s)))
        del self._epochs[:-KEPT_EPOCHS]

    def condition_at(self, t_s: float) -> Condition:
        """The condition in force at an instant."""
        return self.trajectory_at(t_s).display.condition

    def trajectory_at(self, t_s: float) -> Trajectory:
        """The trajectory in force at an instant (during a blank: the one that follows)."""
        index = max(0, bisect_right([start for start, _ in self._epochs], t_s) - 1)
        return self._epochs[index][1] or self._epochs[index + 1][1] or self.trajectory

    def luminance_cd_m2(self, t_s: NDArray[np.float64], modulated: bool = True) -> NDArray[np.float64]:
        """Luminance under the sensor at sorted instants, cd/m2."""
        starts = [start for start, _ in self._epochs]
        first = max(0, bisect_right(starts, float(t_s[0])) - 1)
        last = max(0, bisect_right(starts, float(t_s[-1])) - 1)
        only = self._epochs[first][1] if first == last else None
        if only is not None:
            return only.luminance_cd_m2(t_s, modulated)
        edges = np.searchsorted(t_s, starts[first + 1 : last + 1], side="left")
        light = np.zeros(len(t_s))
        bounds = [0, *(int(edge) for edge in edges), len(t_s)]
        for (_, trajectory), begin, end in zip(self._epochs[first : last + 1], bounds[:-1], bounds[1:], strict=True):
            if trajectory is not None and end > begin:
                light[begin:end] = trajectory.luminance_cd_m2(t_s[begin:end], modulated)
        return light

    def mean_luminance_cd_m2(self, start_s: float, end_s: float, points: int = 4001) -> float:
        """Mean luminance over a while, modulation averaged out, cd/m2."""
        return float(self.luminance_cd_m2(np.linspace(start_s, end_s, points), modulated=False).mean())

    def forget_before(self, t_s: float) -> None:
        """Drop what ended before `t_s`, for a bench that runs for days."""
        self.trajectory.drop_before(t_s)

    def busy_until(self, now_s: float) -> float:
        """When a change of mode is over."""
        return max(now_s, self.ready_s)
