"""Whether a plan flashes above the general flash threshold (WCAG 2.x SC 2.3.1; ITU-R BT.1702 for the words on screen).

General flash: a pair of opposing changes of relative luminance of 10 % of the maximum or more, the darker state below 0.80.
More than three within one second, on more than 0.006 sr of the field of view, is above the threshold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from greystep.schema.errors import PlanError
from greystep.schema.plan import Plan
from greystep.schema.toml_source import TomlSource

MAX_FLASHES_PER_S: Final = 3
MIN_CHANGE: Final = 0.10
DARKER_BELOW: Final = 0.80
MAX_AREA_SR: Final = 0.006
CAUTION: Final = (
    "Flashing patterns can trigger photosensitive seizures. Keep the screen out of sight of anybody who has not agreed, "
    "and stop at the first discomfort."
)


def relative_luminance(code: int, bits: int = 8) -> float:
    """sRGB EOTF (IEC 61966-2-1): relative luminance of a grey code, 0 to 1."""
    v = code / (2**bits - 1)
    return v / 12.92 if v <= 0.04045 else float(((v + 0.055) / 1.055) ** 2.4)


def is_flash(low: int, high: int, bits: int = 8) -> bool:
    """Whether going to and fro between two codes is a general flash."""
    a, b = sorted((relative_luminance(low, bits), relative_luminance(high, bits)))
    return b - a >= MIN_CHANGE and a < DARKER_BELOW


def flashes_within_a_second(hold_s: float, changes: int) -> int:
    """Greatest number of flashes (pairs of opposing changes) within any one second of an even toggle.

    `n` changes span `(n - 1) * hold_s`, so floor(1 / hold_s) + 1 of them fit into a closed second.
    """
    fitting = int(1.0 / hold_s + 1e-9) + 1
    return min(changes, fitting) // 2


@dataclass(frozen=True)
class FlashClass:
    """Result for a plan."""

    above_threshold: bool
    flashes_per_s: int
    """Of the worst pair."""
    pair: tuple[int, int] | None
    """The worst pair, or None when no pair is a flash."""
    reason: str
    """In words."""


def classify(plan: Plan, area_sr: float | None = None) -> FlashClass:
    """Classify a plan.

    Args:
        plan: what is to be driven.
        area_sr: solid angle of the changing patch as seen; None: full screen.
    """
    flashing = [p for p in plan.levels.step_pairs() if is_flash(*p, plan.levels.bits)]
    if not flashing:
        return FlashClass(False, 0, None, "no level pair changes the luminance by 10 % of the maximum")
    worst = max(flashing, key=lambda p: relative_luminance(p[1], plan.levels.bits) - relative_luminance(p[0], plan.levels.bits))
    rate = flashes_within_a_second(plan.capture.hold_s, 2 * plan.capture.repeats + 1)
    if area_sr is not None and area_sr <= MAX_AREA_SR:
        return FlashClass(False, rate, worst, f"the patch of {area_sr:g} sr is within {MAX_AREA_SR} sr")
    if rate <= MAX_FLASHES_PER_S:
        return FlashClass(False, rate, worst, f"{rate} flashes within a second")
    return FlashClass(
        True,
        rate,
        worst,
        f"{rate} flashes within a second between levels {worst[0]} and {worst[1]}, above the general flash threshold of "
        f"{MAX_FLASHES_PER_S} (WCAG 2.x SC 2.3.1)",
    )


def require_acknowledged(plan: Plan, source: TomlSource, area_sr: float | None = None) -> FlashClass:
    """The class of the plan. Raises PlanError when it flashes above the threshold and nobody acknowledged it."""
    found = classify(plan, area_sr)
    if found.above_threshold and not plan.flash_acknowledged:
        problem = source.problem(
            ("capture", "hold_s"), f"{found.reason}: set flash_acknowledged = true, or hold_s = 0.34 or more"
        )
        raise PlanError([problem])
    return found
