"""Overdrive: for one frame the cell is sent beyond its goal, so that it gets there sooner.

The table of a panel is what its maker would compute: for each pair of codes, the drive that brings a settled cell to
a stated share of the step at the end of one frame, at 25 deg C. The drive can't leave the range of the driver chip, so
steps to the ends of the range gain little. The table knows the previous frame's code only, not where the cell
really stands: a cell that had not settled is driven wrongly, as on real panels.
"""

from __future__ import annotations

from functools import lru_cache

from .cell import CellSpeed, next_piece, resting_piece

BISECTIONS = 40
"""Halvings of the drive range: far below one step of the driver chip."""


@lru_cache(maxsize=65536)
def overdriven_target(speed: CellSpeed, frame_s: float, share: float, headroom: float, before: float, goal: float) -> float:
    """Drive for the first frame of a step from `before` to `goal`.

    `share` is the part of the step to be done when the frame ends (above 1: overshoot by design), `headroom` how far
    the drive may leave 0..1. Never weaker than no overdrive at all.
    """
    if before == goal:
        return goal
    wanted = before + share * (goal - before)
    low, high = -headroom, 1.0 + headroom
    rest = resting_piece(0.0, before, speed)

    def reached(drive: float) -> float:
        return next_piece(rest, 0.0, drive, speed, 25.0).state(frame_s)[1]

    weak, strong = (goal, high) if goal > before else (goal, low)
    for _ in range(BISECTIONS):
        middle = 0.5 * (weak + strong)
        short = reached(middle) < wanted if goal > before else reached(middle) > wanted
        weak, strong = (middle, strong) if short else (weak, middle)
    return weak
