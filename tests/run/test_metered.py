"""Power while levels toggle: the mean of both levels, wherever a reading begins."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from greystep.daemon.run.metered import take_power
from greystep.daemon.run.session import Session
from greystep.schema.capture import CaptureMeta, Planned
from greystep.schema.dut import DUT, Condition
from greystep.schema.roles import MeterReading

POWER_W = {0: 1.0, 128: 2.5, 255: 9.0}
"""Of a self-luminous panel: it follows the level."""


class Bench:
    """A pattern source and a meter that averages over its aperture, on a clock of their own."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.before = 0
        self.levels: tuple[int, ...] = (0,)
        self.dwell_s = 1.0
        self.start_s = 0.0
        self.pattern = SimpleNamespace(play=self.play, wait=lambda s: True, safe=lambda: None)
        self.dialogue = SimpleNamespace(take=lambda: ())
        self.bench_text = ""

    def play(self, levels: tuple[int, ...], dwell_s: float) -> None:
        self.before = self.level(self.now_s)
        # The display takes a while until it follows.
        self.levels, self.dwell_s, self.start_s = tuple(levels), dwell_s, self.now_s + 0.03

    def level(self, t_s: float) -> int:
        if t_s < self.start_s:
            return self.before
        return self.levels[min(int((t_s - self.start_s) / self.dwell_s), len(self.levels) - 1)]

    def read(self, role: str, aperture_s: float) -> MeterReading:
        assert role == "power"
        times = self.now_s + aperture_s * (np.arange(4000) + 0.5) / 4000
        self.now_s += aperture_s + 0.0171
        return MeterReading(float(np.mean([POWER_W[self.level(t)] for t in times])), "W", 0.01)

    def instruments(self) -> tuple[Any, ...]:
        return ()


@pytest.mark.parametrize("hold_s", [0.04, 0.1, 0.35])
def test_power_while_toggling_is_the_mean_of_both_levels_and_held_power_that_of_its_level(hold_s: float) -> None:
    bench = Bench()
    plan = SimpleNamespace(
        power=SimpleNamespace(readings=4),
        capture=SimpleNamespace(hold_s=hold_s),
        levels=SimpleNamespace(step_pairs=lambda: [(0, 128), (0, 255), (128, 255)]),
    )
    session = Session(rig=bench, plan=plan, plan_text="", clock=lambda: bench.now_s)  # type: ignore[arg-type]
    meta = CaptureMeta(
        id="01tests0000000000000000001",
        run="01tests0000000000000000000",
        key="c01-power",
        kind="power",
        group="c01",
        dut=DUT(maker="Invented", model="Viewer One", panel="OLED"),
        condition=Condition(refresh_rate_hz=60.0),
        started_utc="2026-01-02T03:04:05Z",
        started_monotonic_s=0.0,
        planned=Planned(position=1, total=1, group_total=1, steady_total=0, repeats=1),
    )
    taken = take_power(session, SimpleNamespace(levels=(128,)), meta)  # type: ignore[arg-type]
    held, toggled = taken.channels["value"].values()
    assert held == pytest.approx(POWER_W[128], rel=1e-6)
    assert toggled == pytest.approx((POWER_W[0] + POWER_W[255]) / 2, rel=2e-3)
    assert (taken.from_level[1], taken.to_level[1]) == (0, 255)
