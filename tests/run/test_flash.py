"""Plans that flash above the general flash threshold are found. Values: WCAG 2.x SC 2.3.1 and its definition of flash."""

from __future__ import annotations

import math

import pytest
from greystep.daemon.run.flash import classify, flashes_within_a_second, is_flash, relative_luminance, require_acknowledged
from greystep.schema.errors import PlanError
from greystep.schema.plan import Plan
from greystep.schema.toml_source import TomlSource


def plan(hold_s: float, levels: tuple[int, ...] = (0, 255), repeats: int = 10, acknowledged: bool = False) -> TomlSource:
    return TomlSource.parse(
        f"flash_acknowledged = {str(acknowledged).lower()}\n[dut]\nmodel = 'x'\n[[condition]]\nrefresh_rate_hz = 60.0\n"
        f"[levels]\nstep = {list(levels)}\n[capture]\nrepeats = {repeats}\nhold_s = {hold_s}\npretrigger_s = 0.001\n",
        "plan.toml",
    )


@pytest.mark.parametrize(("low", "high", "flash"), [(0, 89, False), (0, 90, True), (204, 255, True), (232, 255, False)])
def test_pairs_of_ten_percent_with_a_dark_state_are_flashes(low: int, high: int, flash: bool):
    # 0->89: 0.0999, 0->90: 0.1022; 204->255: 0.604->1; 232->255: 0.807->1, the darker state is not below 0.80.
    assert is_flash(low, high) is flash


def test_relative_luminance_is_that_of_the_srgb_standard():
    # IEC 61966-2-1 values as computed by a reference library.
    assert relative_luminance(51) == pytest.approx(0.0331047666, abs=1e-9)
    assert relative_luminance(128) == pytest.approx(0.2158605001, abs=1e-9)


@pytest.mark.parametrize(("per_s", "above"), [(3, False), (4, True), (15, True)])
def test_more_than_three_flashes_a_second_need_acknowledgement(per_s: int, above: bool):
    # A little slower than even, so that one more change does not fit into the closed second.
    hold = 1 / (2 * per_s) * 1.0001 if per_s > 3 else 0.34
    source = plan(hold)
    assert classify(source.validate(Plan)).above_threshold is above
    if above:
        with pytest.raises(PlanError, match="flash_acknowledged"):
            require_acknowledged(source.validate(Plan), source)
        assert require_acknowledged(plan(hold, acknowledged=True).validate(Plan), source).above_threshold


def test_eight_changes_fit_into_a_second_at_four_flashes():
    assert flashes_within_a_second(0.125, 100) == 4
    assert flashes_within_a_second(0.334, 100) == 1
    assert flashes_within_a_second(1 / 60, 100) == 30


def test_a_small_patch_is_below_the_threshold():
    source = plan(0.05)
    assert classify(source.validate(Plan), area_sr=0.006).above_threshold is False
    assert classify(source.validate(Plan), area_sr=0.0061).above_threshold is True
    # The limit is a quarter of a 10 degree cone: 2 pi (1 - cos 5 deg) = 0.0239 sr.
    assert 2 * math.pi * (1 - math.cos(math.radians(5))) / 4 == pytest.approx(0.006, abs=5e-5)


def test_dim_pairs_do_not_flash_however_fast():
    assert classify(plan(0.02, levels=(0, 64)).validate(Plan)).above_threshold is False
