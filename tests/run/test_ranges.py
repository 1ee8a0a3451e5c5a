"""The range of the light is one that the digitiser takes, and no wider than it need be."""

from __future__ import annotations

import pytest
from greystep.daemon.run.ranges import range_for
from greystep.schema.roles import DigitiserLimits

DARK = (0.0001, 0.0002)


@pytest.mark.parametrize(
    ("limits", "range_v"),
    [
        (DigitiserLimits(), 0.02),  # it doesn't say: what nearly every digitiser takes
        (DigitiserLimits(min_range_v=0.1), 0.1),
        (DigitiserLimits(min_range_v=0.001), 0.001),
        (DigitiserLimits(ranges_v=(0.005, 0.05, 0.5)), 0.005),
        (DigitiserLimits(ranges_v=(0.05, 0.5), min_range_v=0.05), 0.05),
    ],
)
def test_a_dark_level_gets_the_smallest_range_that_the_digitiser_says_it_takes(limits: DigitiserLimits, range_v: float):
    assert range_for(DARK, 0.0, limits).range_v == pytest.approx(range_v)


def test_a_clipped_try_is_repeated_wider_and_a_bright_step_has_room_for_overshoot():
    limits = DigitiserLimits(min_range_v=0.01)
    assert range_for((1.0, 3.0), 0.0, limits).range_v > 2.0 * 1.5
    assert range_for((1.0, 3.0), 0.0, limits, 1.6).range_v > range_for((1.0, 3.0), 0.0, limits).range_v
    assert range_for((1.0, 3.0), 0.0, limits).offset_v == pytest.approx(2.0)
