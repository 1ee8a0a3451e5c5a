"""The invented displays stand for their classes of the trade."""

from __future__ import annotations

from functools import cache
from itertools import permutations

import numpy as np
import pytest
from greystep.sim_instruments.panel.catalogue import CLASS_LEVELS, CLASS_MEAN_S, PANELS, panel
from greystep.sim_instruments.panel.display import Display
from greystep.sim_instruments.panel.model import PanelSpec
from greystep.sim_instruments.panel.trajectory import Trajectory
from scipy.optimize import brentq

# Common practice of the trade, no source: mean of 20 transitions, code band of 8, first entry.
CLASSES_S = {
    "olmara-20": 20.0e-3,
    "vireth-10": 10.0e-3,
    "vireth-10x": 8.4e-3,
    "tessik-5": 1.0e-3,
    "quandle-27": 0.3e-3,
    "brumhal-7": 33.0e-3,
    "nydorf-15": 62.0e-3,
}
TOLERANCE = 0.10
BAND = 8.0


def band_duration_s(display: Display, from_level: int, to_level: int) -> float:
    """Code-band duration by scanning and root finding on the light, independent of the bench's own truth."""
    frame_s = display.frame_at_or_after_s(0.0)
    trajectory = Trajectory(display, frame_s - 1.0, from_level).extend([(frame_s, to_level)])
    curve, begin = display.spec.curve, frame_s + display.latency_s
    sign = 1.0 if to_level > from_level else -1.0

    def first(level: float) -> float:
        def distance(t_s: np.ndarray) -> np.ndarray:
            light = trajectory.luminance_cd_m2(np.atleast_1d(t_s), modulated=False) / display.modulation.mean
            return sign * (light - curve.luminance_cd_m2(level / 255.0))

        steps = np.linspace(begin, begin + 0.5, 20_001)
        past = int(np.argmax(distance(steps) > 0))
        return float(brentq(lambda t_s: distance(t_s)[0], steps[past - 1], steps[past], xtol=1e-9))

    return first(to_level - sign * BAND) - first(from_level + sign * BAND)


@cache
def durations_s(name: str) -> dict[tuple[int, int], float]:
    spec = panel(name)
    display = Display(spec, spec.default_condition())
    return {pair: band_duration_s(display, *pair) for pair in permutations(CLASS_LEVELS, 2)}


@pytest.mark.parametrize("name", CLASSES_S)
def test_mean_of_20_transitions_is_that_of_the_class(name: str) -> None:
    durations = durations_s(name)
    assert len(durations) == 20
    assert np.mean(list(durations.values())) == pytest.approx(CLASSES_S[name], rel=TOLERANCE)


def test_darkest_transitions_of_the_early_2000s_panel_exceed_100_ms() -> None:
    durations = durations_s("nydorf-15")
    assert durations[0, 64] > 0.100
    assert durations[0, 128] > 0.100
    assert durations[255, 192] < 0.050


def test_catalogue_states_the_same_classes() -> None:
    assert {name: CLASS_MEAN_S[name] for name in CLASSES_S} == CLASSES_S


@pytest.mark.parametrize("spec", PANELS, ids=lambda spec: spec.name)
def test_every_display_has_several_conditions_and_names_of_its_own(spec: PanelSpec) -> None:
    assert len(spec.refresh_rates_hz) * len(spec.overdrive) >= 2
    assert sum(other.model == spec.model or other.serial == spec.serial for other in PANELS) == 1
