"""A long record of the virtual bench, cut into steps, against the bench's own truth."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from greystep.daemon.host import PluginHost
from greystep.schema.roles import ChannelSetup, DigitiserSetup
from greystep.sim_instruments.testing import VirtualBench

from .desk import Desk

SHOWN = [0, 255, 0, 128, 255, 128, 0, 255, 0, 128, 255, 128, 0]
HOLD_S = 0.5
RATE_HZ = 20e3


def recorded(panel: str) -> tuple[np.ndarray, float, float, dict[tuple[int, int], float]]:
    """(codes, scale, offset, true 10-90 durations) of one record with all of `SHOWN`."""
    with VirtualBench(panel=panel, speed="max") as bench:
        host = PluginHost.load()
        opened = {}
        for role, name in (("digitiser", "scpi-digitiser"), ("pattern", "scpi-pattern")):
            spec = host.drivers[name]
            opened[role] = spec.open(spec.settings.model_validate({"resource": bench.resources[role]}), lambda *_: None)
        digitiser, pattern = opened["digitiser"], opened["pattern"]
        try:
            samples = round((len(SHOWN) + 1) * HOLD_S * RATE_HZ)
            digitiser.configure(
                DigitiserSetup(1 / RATE_HZ, samples, 0, 1, {1: ChannelSetup(8.0, 3.0)}, trigger="sync", slope="positive")
            )
            digitiser.arm()
            pattern.play(SHOWN, HOLD_S)
            assert pattern.wait(60)
            assert digitiser.wait(60) == 1
            light = digitiser.fetch().channels[1]
            pairs = sorted(set(pairwise(SHOWN)))
            truth = {p: float(bench.transition(*p, window_s=HOLD_S)["duration_10_90_s"]) for p in pairs}
        finally:
            digitiser.close()
            pattern.close()
    return light.codes[0], light.scale, light.offset, truth


@pytest.mark.parametrize("panel", ["vireth-10", "quandle-27", "pellowane-24"])
def test_steps_cut_from_a_record_have_the_duration_that_the_bench_knows(tmp_path: Path, panel: str) -> None:
    codes, scale, offset, truth = recorded(panel)
    desk = Desk.at(tmp_path)
    np.save(desk.folder / "record.npy", codes * scale + offset)
    body = (
        '[[capture]]\nkind = "record"\nfile = "record.npy"\nlight = ["1"]\n'
        f"sample_interval_s = {1 / RATE_HZ}\nlevels = {SHOWN}\n"
    )
    desk.run(body)
    captures = desk.captures()
    for (a, b), wanted_s in truth.items():
        capture = captures[f"c01-step-{a:03d}-{b:03d}"]
        light = capture.channels["light"].values().mean(axis=0)
        before, after = light[:200].mean(), light[-800:].mean()
        part = (light - before) / (after - before)
        at = [float(np.flatnonzero(part > x)[0]) / RATE_HZ for x in (0.1, 0.9)]
        assert at[1] - at[0] == pytest.approx(wanted_s, rel=0.05, abs=2.5 / RATE_HZ)
