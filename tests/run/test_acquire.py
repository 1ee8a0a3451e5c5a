"""Captures are the same whether the digitiser holds all segments or only a few; trouble is flagged and taken again."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.run import acquire
from greystep.daemon.run.planned import planned_captures
from greystep.daemon.run.rig import open_rig
from greystep.daemon.run.session import Session
from greystep.schema.capture import CaptureMeta
from greystep.schema.flags import SegmentFlag
from greystep.schema.ids import IdSource
from greystep.schema.plan import Plan
from greystep.sim_instruments.testing import VirtualBench

PLAN = Plan.model_validate(
    {
        "dut": {"model": "Viewer"},
        "condition": [{"refresh_rate_hz": 144.0}],
        "flash_acknowledged": True,
        "levels": {"step": [0, 255], "steady": [0, 255]},
        "capture": {"repeats": 2, "hold_s": 0.1, "sample_rate_hz": 20e3, "steady_s": 0.05},
    }
)


class Small:
    """A digitiser with fewer segments than it really has."""

    def __init__(self, inner, segments: int) -> None:
        self._inner, self._segments = inner, segments

    def __getattr__(self, name: str):
        return getattr(self._inner, name)

    def limits(self):
        return dataclasses.replace(self._inner.limits(), max_segments=self._segments)

    def configure(self, setup):
        assert setup.segments <= self._segments
        return self._inner.configure(setup)


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    home = Home(tmp_path).create()
    with VirtualBench(panel="vireth-10x", speed="max", seed=3) as bench:
        text = "".join(f'[instruments.{r}]\ndriver = "scpi-{r}"\nresource = "{a}"\n' for r, a in bench.resources.items())
        home.bench_file.write_text(text)
        rig = open_rig(home, PluginHost.load())
        try:
            yield Session(rig, PLAN, "")
        finally:
            assert rig.close() == ""
        assert bench.hello()["level"] == 0


def taken(session: Session, kind: str):
    item = next(i for i in planned_captures(PLAN) if i.kind == kind)
    meta = CaptureMeta(
        id=IdSource().new(),
        run="r",
        key=item.key,
        kind=item.kind,
        group=item.group,
        dut=PLAN.dut,
        condition=item.condition,
        started_utc="",
        started_monotonic_s=time.monotonic(),
        planned=item.place,
    )
    return acquire.take(session, item, meta)


@pytest.mark.parametrize("segments", [1, 3, 4096])
def test_a_step_capture_is_complete_however_few_segments_the_digitiser_holds(session: Session, segments: int):
    session.rig.opened["digitiser"] = Small(session.rig.opened["digitiser"], segments)
    capture = taken(session, "step")
    assert capture.from_level.tolist() == [0, 255, 0, 255]
    assert capture.to_level.tolist() == [255, 0, 255, 0]
    assert not capture.flags.any()
    light = capture.channels["light"].values()
    last = light[:, -100:].mean(axis=1)
    assert (last[::2] > 10 * last[1::2]).all(), "each segment ends at its to-level"
    first = light[:, :100].mean(axis=1)
    np.testing.assert_allclose(first[1::2], last[::2], rtol=0.01)


def test_a_clipped_segment_is_taken_again_with_a_wider_range(session: Session):
    session.seen.by_level.update({0: (0.0, 0.001), 255: (0.0, 1.5)})  # far less than the light really is
    capture = taken(session, "step")
    assert capture.meta.retakes >= 1
    assert any("clipped" in note for note in capture.meta.notes)
    assert not capture.flagged(SegmentFlag.CLIPPED).any()
    assert capture.flagged(SegmentFlag.RETAKEN).all()


class Spy:
    """Notes what the pattern source is asked to play."""

    def __init__(self, inner) -> None:
        self._inner, self.lists = inner, []

    def __getattr__(self, name: str):
        return getattr(self._inner, name)

    def play(self, levels, dwell_s: float):
        self.lists.append((tuple(levels), dwell_s))
        return self._inner.play(levels, dwell_s)


@pytest.mark.parametrize("segments", [2, 4096])
@pytest.mark.parametrize("settle_s", [0.0, 0.1, 1.0])
def test_a_level_settles_as_long_as_planned_whether_its_light_was_seen_before_or_not(
    session: Session, settle_s: float, segments: int
):
    session.plan = PLAN.model_copy(update={"capture": PLAN.capture.model_copy(update={"settle_s": settle_s})})
    session.rig.opened["digitiser"] = Small(session.rig.opened["digitiser"], segments)
    for _ in range(2):
        spy = session.rig.opened["pattern"] = Spy(getattr(session.rig.pattern, "_inner", session.rig.pattern))
        capture = taken(session, "steady")
        assert {level for levels, _ in spy.lists for level in levels} == {0}
        assert capture.from_level.tolist() == capture.to_level.tolist() == [0, 0, 0]
        held_s = sum(len(levels) * dwell_s for levels, dwell_s in spy.lists)
        counted_s = 3 * spy.lists[-1][1]
        assert held_s - counted_s >= settle_s - 1e-9


@pytest.mark.parametrize("segments", [1, 4096])
def test_the_meter_is_read_once_while_the_level_is_recorded(session: Session, segments: int):
    session.rig.opened["digitiser"] = Small(session.rig.opened["digitiser"], segments)
    capture = taken(session, "steady")
    assert [r.role for r in capture.meta.readings] == ["luminance", "temperature"]
    said = [line.split(" ", 1)[1] for line in capture.dialogue]
    asked = next(i for i, line in enumerate(said) if line.startswith("luminance > READ"))
    assert any(line.startswith("digitiser > TRAC? ") for line in said[asked:]), "the records are fetched after the reading"
    assert sum(line.startswith("luminance > READ") for line in said) == 1
