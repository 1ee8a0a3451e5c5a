"""The exact figures of one transition, from the noise-free light of the model (backlight modulation averaged out)."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from ..panel.display import Display
from ..panel.trajectory import Trajectory
from .crossing import Function, first_crossing, last_crossing

BAND_CODES = 8.0
"""Half width of the code band around start and end level."""
WINDOW_POINTS = 1001
"""Points of the dense evaluation over the whole window, before bisection."""
PIECE_POINTS = np.geomspace(1e-4, 60.0, 800)
"""Further points after each change of the cell's target, in its time constants: nothing happens between them unseen."""


@dataclass(frozen=True)
class TransitionTruth:
    """Figures of one transition. Times in s from the sync edge; None where the light never got there in the window."""

    from_level: int
    to_level: int
    light_start_s: float
    """When the drive under the sensor changed: the latency."""
    t10_s: float | None
    """First crossing of the 10 % level between the settled luminances."""
    t50_s: float | None
    t90_s: float | None
    duration_10_90_s: float | None
    """Transition duration in luminance, first crossings."""
    code_start_s: float | None
    """Leaves the start level by the code band."""
    code_first_entry_s: float | None
    """First comes within the code band of the end level."""
    code_settled_s: float | None
    """Is within the code band of the end level from here to the end of the window."""
    code_first_entry_duration_s: float | None
    code_settled_duration_s: float | None
    overshoot_percent: float
    """Farthest beyond the settled end level, percent of the luminance step (0 when it never went beyond)."""
    overshoot_codes: float
    """The same in code values."""
    completion_one_frame: float
    """Part of the luminance step done one refresh period after the light started to change."""
    start_error_codes: float
    """How far the light was from its start level when the change began: a transition before that had not settled."""
    end_error_codes: float
    """How far it was from its end level at the end of the window."""
    from_cd_m2: float
    """Settled luminance of the start level."""
    to_cd_m2: float

    def as_dict(self) -> dict[str, float | int | None]:
        """Plain values, for JSON."""
        return asdict(self)


def transition_truth(
    trajectory: Trajectory,
    sync_s: float,
    frame_s: float,
    until_s: float,
    from_level: int,
    to_level: int,
    band: float = BAND_CODES,
) -> TransitionTruth:
    """Figures of the transition that the frame starting at `frame_s` (at the display's input) caused.

    The window runs from the change of the drive to `until_s`; `sync_s` is the zero of all times.
    """
    display = trajectory.display
    curve, full_scale = display.spec.curve, display.spec.top_level
    begin = frame_s + display.latency_s
    grid = dense_grid_s(trajectory, begin, max(until_s, begin + 1e-6))
    factor = display.mean_light_factor(begin)
    low, high = (float(curve.luminance_cd_m2(display.drive(level))) * factor for level in (from_level, to_level))

    def light(t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return curve.luminance_cd_m2(trajectory.drive(t_s)) * factor

    def code(t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        codes: NDArray[np.float64] = full_scale * curve.drive(light(t_s) / factor)
        return codes

    luminance, codes = light(grid), code(grid)
    span = high - low
    percent = [first_crossing(light, low + share * span, grid, luminance) for share in (0.1, 0.5, 0.9)]
    sign = 1.0 if to_level > from_level else -1.0
    start, first, settled = _band_times(code, grid, codes, from_level, to_level, band)
    after = np.array([begin + display.frame_s])
    beyond = sign * (luminance - high)
    return TransitionTruth(
        from_level=from_level,
        to_level=to_level,
        light_start_s=begin - sync_s,
        t10_s=_since(percent[0], sync_s),
        t50_s=_since(percent[1], sync_s),
        t90_s=_since(percent[2], sync_s),
        duration_10_90_s=_between(percent[0], percent[2]),
        code_start_s=_since(start, sync_s),
        code_first_entry_s=_since(first, sync_s),
        code_settled_s=_since(settled, sync_s),
        code_first_entry_duration_s=_between(start, first),
        code_settled_duration_s=_between(start, settled),
        overshoot_percent=max(0.0, 100.0 * float(beyond.max()) / abs(span)) if span else 0.0,
        overshoot_codes=max(0.0, float((sign * (codes - to_level)).max())),
        completion_one_frame=float((light(after)[0] - low) / span) if span else 1.0,
        start_error_codes=float(codes[0] - from_level),
        end_error_codes=float(codes[-1] - to_level),
        from_cd_m2=low,
        to_cd_m2=high,
    )


def dense_grid_s(trajectory: Trajectory, begin_s: float, end_s: float) -> NDArray[np.float64]:
    """Sorted instants from `begin_s` to `end_s` that are dense wherever the light can move."""
    pieces = trajectory.pieces_between(begin_s, end_s)
    moving = [piece.start_s + piece.time_constant_s * PIECE_POINTS for piece in pieces]
    grid = np.unique(np.concatenate([np.linspace(begin_s, end_s, WINDOW_POINTS), *moving]))
    return grid[(grid >= begin_s) & (grid <= end_s)]


def _band_times(
    code: Function, grid: NDArray[np.float64], codes: NDArray[np.float64], from_level: int, to_level: int, band: float
) -> tuple[float | None, float | None, float | None]:
    """Leaving the start band, first entry into the end band, last entry into it."""
    sign = 1.0 if to_level > from_level else -1.0
    start = first_crossing(code, from_level + sign * band, grid, codes)
    first = first_crossing(code, to_level - sign * band, grid, codes)
    inside = abs(codes[-1] - to_level) <= band
    edges = [last_crossing(code, to_level + side * band, grid, codes) for side in (-1.0, 1.0)]
    entries = [edge for edge in edges if edge is not None]
    return start, first, max(entries) if inside and entries else None


def _since(t_s: float | None, zero_s: float) -> float | None:
    return None if t_s is None else t_s - zero_s


def _between(start_s: float | None, end_s: float | None) -> float | None:
    return None if start_s is None or end_s is None else end_s - start_s


def isolated_transition(display: Display, from_level: int, to_level: int, window_s: float = 1.0) -> TransitionTruth:
    """The transition of a display that had rested at the start level: what a patient measurement approaches."""
    frame = display.frame_at_or_after_s(1.0)
    trajectory = Trajectory(display, frame - 1.0, from_level).extend([(frame, to_level)])
    return transition_truth(trajectory, frame, frame, frame + window_s, from_level, to_level)
