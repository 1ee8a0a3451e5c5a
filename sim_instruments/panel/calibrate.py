"""Find the time constant that gives a display its class duration: `python -m greystep.sim_instruments.panel.calibrate`.

Prints `base_s` of each display such that the mean code-band duration (first entry) over the 20 transitions of
`CLASS_LEVELS` in the starting condition is `CLASS_MEAN_S`. Uses the truth, never an estimator.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import permutations

from ..truth.transition import isolated_transition
from .catalogue import CLASS_LEVELS, CLASS_MEAN_S, PANELS
from .display import Display
from .model import PanelSpec


def class_durations_s(spec: PanelSpec) -> dict[tuple[int, int], float]:
    """Code-band duration (first entry) in s of each of the 20 transitions, in the starting condition, warm."""
    display = Display(spec, spec.default_condition())
    durations = {}
    for low, high in permutations(CLASS_LEVELS, 2):
        truth = isolated_transition(display, low, high)
        if truth.code_first_entry_duration_s is None:
            raise ValueError(f"{spec.name}: {low} to {high} does not end within the window")
        durations[low, high] = truth.code_first_entry_duration_s
    return durations


def calibrated_base_s(spec: PanelSpec, mean_s: float) -> float:
    """The `base_s` with which the mean of the 20 durations is `mean_s`, by bisection on its logarithm."""
    # Only the logarithm of the factor is halved: it spans a decade and more.
    low, high = math.log(0.2), math.log(5.0)
    for _ in range(14):
        middle = 0.5 * (low + high)
        trial = replace(spec, speed=replace(spec.speed, base_s=spec.speed.base_s * math.exp(middle)))
        durations = class_durations_s(trial)
        low, high = (middle, high) if sum(durations.values()) / len(durations) < mean_s else (low, middle)
    return spec.speed.base_s * math.exp(0.5 * (low + high))


def main() -> None:
    for spec in PANELS:
        print(f"{spec.name}: base_s={calibrated_base_s(spec, CLASS_MEAN_S[spec.name]):.4g}")


if __name__ == "__main__":
    main()
