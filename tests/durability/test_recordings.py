"""A run whose wires are recorded: what an instrument did wrong can be played back as an instrument."""

from __future__ import annotations

from pathlib import Path

import pytest
from greystep.plugins.instruments.offered import offered_drivers
from greystep.schema.errors import InstrumentError

from .laboratory import Laboratory

SPECS = {spec.name: spec for spec in offered_drivers()}


@pytest.mark.soak
def test_garbage_of_a_meter_in_a_run_is_recorded_and_is_garbage_again(laboratory: Laboratory, tmp_path: Path):
    number = laboratory.bench.fault("luminance", "garbage", after=6)
    laboratory.submit()
    laboratory.start("--once", "--record", str(tmp_path / "wires"))
    assert laboratory.ended(100) == 0, laboratory.told()
    assert laboratory.bench.hits(number) == 1
    assert laboratory.state() == "finished", laboratory.status()  # read again after recovery
    assert {p.stem for p in (tmp_path / "wires").glob("*.jsonl")} >= {"digitiser", "pattern", "luminance"}
    spec = SPECS["replay-luminance"]
    meter = spec.open(spec.settings(file=tmp_path / "wires" / "luminance.jsonl"), lambda *_: None)
    readings, failed = [], 0
    for _ in range(20):
        try:
            readings.append(meter.read(0.1).value)
        except InstrumentError:
            failed += 1
            break
    assert failed == 1, "the recorded fault never came"
    assert all(value > 0 for value in readings)
    with pytest.raises(InstrumentError):
        meter.read(1e9)
