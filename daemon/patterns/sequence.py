"""The sequence of levels that an exported video shows: start marker, every transition, every held level. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from greystep.schema.plan import Plan

Pair = tuple[int, int]
MARKER_HOLDS_S: Final = (1.0, 0.4, 0.6, 0.4, 0.9, 0.5, 0.7, 0.4)
"""Dark and bright in turn, beginning dark. Uneven, so that it is found in a record wherever it stands; two bright-dark pairs a
second at most, below the general flash threshold (WCAG 2.x SC 2.3.1)."""
MAX_LEVELS: Final = 3000
"""The manifest must stay within the size that is read."""


@dataclass(frozen=True)
class Held:
    """A level for some frames."""

    level: int
    frames: int


def walk(pairs: Sequence[Pair], start: int = 0) -> list[int]:
    """Levels in an order that shows every pair in both directions once: an Eulerian circuit (Hierholzer).

    Both directions are wanted, so that as many ways lead out of each level as into it and a circuit exists; parts that don't
    hang together are joined by a change that is not wanted.

    Args:
        pairs: unordered pairs of levels.
        start: level on the screen before.
    """
    left: dict[int, list[int]] = {}
    for a, b in pairs:
        left.setdefault(a, []).append(b)
        left.setdefault(b, []).append(a)
    for targets in left.values():
        targets.sort(reverse=True)
    order: list[int] = []
    while any(left.values()):
        here = order[-1] if order else start
        root = here if left.get(here) else min(v for v, targets in left.items() if targets)
        circuit = _circuit(root, left)
        order += circuit[1:] if order and order[-1] == root else circuit
    return order


def _circuit(root: int, left: dict[int, list[int]]) -> list[int]:
    stack, out = [root], []
    while stack:
        if left.get(stack[-1]):
            stack.append(left[stack[-1]].pop())
        else:
            out.append(stack.pop())
    return out[::-1]


def levels_of(plan: Plan, repeats: int) -> list[int]:
    """Levels of a plan in the order shown: all transitions `repeats` times, then the levels that are only held."""
    order: list[int] = []
    for _ in range(repeats):
        part = walk(plan.levels.step_pairs(), order[-1] if order else 0)
        order += part[1:] if order and part and part[0] == order[-1] else part
    seen = set(order)
    return order + [v for v in plan.levels.steady_levels() if v not in seen]


def timed(levels: Sequence[int], hold_s: float, rate_hz: float) -> tuple[list[Held], int]:
    """Start marker and levels, in whole frames; and how many of the first are the marker.

    Args:
        levels: as shown.
        hold_s: of each level; rounded to whole frames.
        rate_hz: frames a second.
    """
    marker = [Held(255 * (i % 2), max(round(s * rate_hz), 1)) for i, s in enumerate(MARKER_HOLDS_S)]
    frames = max(round(hold_s * rate_hz), 2)
    dark = Held(0, max(round(1.0 * rate_hz), 1))
    out = [*marker, dark, *(Held(v, frames) for v in levels), Held(0, 2 * frames)]
    joined: list[Held] = []
    for held in out:
        if joined and joined[-1].level == held.level:
            joined[-1] = Held(held.level, joined[-1].frames + held.frames)
        else:
            joined.append(held)
    return joined, len(marker)
