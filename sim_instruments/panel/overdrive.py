"""Overdrive: for one frame the cell is sent beyond its goal, so that it gets there sooner.

The table of a panel is what its maker would compute: for each pair of codes, the strongest drive of one frame with which
a settled cell of a warm panel overshoots by no more than a stated part of the step. The drive can't leave the range of the
driver chip, so steps to the ends of the range gain little. The table knows the previous frame's code only, not where
the cell really stands: a cell that had not settled, or is cold, is driven wrongly, as on real panels.
"""

from __future__ import annotations

import math
from functools import lru_cache

from .cell import CellPiece, CellSpeed, next_piece, resting_piece

BISECTIONS = 40
"""Halvings of the drive range: far below one step of the driver chip."""


@lru_cache(maxsize=65536)
def overdriven_target(
    speed: CellSpeed, warm_c: float, frame_s: float, overshoot: float, headroom: float, before: float, goal: float
) -> float:
    """Drive for the first frame of a step from `before` to `goal` (drives 0..1).

    `warm_c` is the temperature that the table is made for; `overshoot` is the part of the step by which the cell may go
    beyond, `headroom` how far the drive may leave 0..1.
    """
    if before == goal:
        return goal
    wanted = goal + overshoot * (goal - before)
    upwards = goal > before
    weak, strong = goal, (1.0 + headroom if upwards else -headroom)
    rest = resting_piece(0.0, before, speed)
    for _ in range(BISECTIONS):
        middle = 0.5 * (weak + strong)
        driven = next_piece(rest, 0.0, middle, speed, warm_c)
        farthest = turning_point(next_piece(driven, frame_s, goal, speed, warm_c))
        within = farthest <= wanted if upwards else farthest >= wanted
        weak, strong = (middle, strong) if within else (weak, middle)
    return weak


def turning_point(piece: CellPiece) -> float:
    """Drive at which the seen state turns back within a piece; where it begins, if it only ever goes one way.

    b'(t) = 0 where e^(-t (1/rT - 1/T)) = -r P / Q, which lies in the piece if that is between 0 and 1.
    """
    slow, fast = piece.weights()
    if fast == 0.0 or not 0.0 < -piece.ratio * slow / fast < 1.0:
        return piece.second
    rate = (1.0 / piece.ratio - 1.0) / piece.time_constant_s
    elapsed = -math.log(-piece.ratio * slow / fast) / rate
    return piece.state(piece.start_s + elapsed)[1]
