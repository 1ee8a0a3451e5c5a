"""Long records: every step that is reported is true, nearly every true step is found, and the rest is told."""

from __future__ import annotations

import re
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from greystep.daemon.importing.record.envelope import Envelope
from greystep.daemon.importing.record.levels import align, by_timeline
from greystep.daemon.importing.record.plateaus import Plateau
from greystep.daemon.importing.record.segmentation import Knowledge, Segmentation, segment
from greystep.daemon.patterns.timeline import Timeline
from hypothesis import given, settings
from hypothesis import strategies as st

from .desk import HEAD, Desk
from .records import Scene, light_of, walk

LEVELS = [0, 64, 128, 192, 255]
WALK = walk(LEVELS, 60, 1)
EVEN = [0.5] * 60


def found(scene: Scene, known: Knowledge | None = None, hold_s: float | None = None) -> Segmentation:
    envelope = Envelope()
    envelope.feed(scene.samples())
    interval = 1 / scene.rate_hz
    known = known or Knowledge(table=scene.table())
    return segment(envelope.points(), envelope.block * interval, (envelope.block - 0.5) * interval, known, hold_s)


def judged(scene: Scene, got: Segmentation) -> tuple[int, list[object]]:
    """(true steps found, reported steps that aren't true)."""
    truth = scene.truth()

    def true(step: object) -> bool:
        return any(abs(step.at_s - t) < 0.05 and (step.from_level, step.to_level) == (a, b) for t, a, b in truth)  # type: ignore[attr-defined]

    wrong = [s for s in got.steps if not true(s)]
    return len(got.steps) - len(wrong), wrong


UNEVEN = list(np.random.default_rng(3).uniform(0.3, 2.0, 60))
SCENES = {
    "plain": Scene(WALK, EVEN),
    "short holds": Scene(WALK, [0.25] * 60),
    "uneven holds": Scene(WALK, UNEVEN),
    "PWM at 240 Hz": Scene(WALK, EVEN, pwm_hz=240),
    "PWM at 117 Hz, shallow": Scene(WALK, EVEN, pwm_hz=117.3, pwm_low=0.3),
    "PWM near the block rate": Scene(WALK, EVEN, pwm_hz=20030, rate_hz=100e3),
    "OLED dips": Scene(WALK, EVEN, dip_hz=60, tau_s=0.0003),
    "OLED dips and PWM": Scene(WALK, EVEN, dip_hz=120, pwm_hz=480, tau_s=0.0003),
    "drift": Scene(WALK, EVEN, drift=-0.08),
    "slow": Scene(WALK, EVEN, tau_s=0.04),
    "overshoot": Scene(WALK, EVEN, overshoot=0.25),
    "noise": Scene(WALK, EVEN, noise=0.02),
    "17 levels": Scene(walk([*range(0, 256, 16), 255], 200, 2), [0.4] * 200, noise=0.001),
}


@pytest.mark.parametrize("name", SCENES)
def test_all_steps_are_found_and_named_by_the_light_of_their_levels(name: str) -> None:
    scene = SCENES[name]
    hits, wrong = judged(scene, found(scene))
    assert not wrong
    assert hits == len(scene.truth())


def test_the_order_alone_names_the_levels_also_when_a_step_is_missing_or_shown_twice() -> None:
    for shown in (WALK, WALK[:20] + WALK[21:], WALK[:30] + WALK[28:]):
        scene = Scene(shown, [0.5] * len(shown), tau_s=0.02, pwm_hz=200, drift=0.05)
        got = found(scene, Knowledge(order=WALK))
        hits, wrong = judged(scene, got)
        assert not wrong
        assert hits == len(scene.truth())
    assert any("was shown" in r for r in found(Scene(WALK[:20] + WALK[21:], [0.5] * 59), Knowledge(order=WALK)).remarks)


@pytest.mark.parametrize("known", ["order", "light"])
def test_a_panel_that_never_settles_gives_true_steps_and_says_what_is_unknown(known: str) -> None:
    scene = Scene(WALK, EVEN, tau_s=0.15)
    got = found(scene, Knowledge(order=WALK) if known == "order" else None)
    hits, wrong = judged(scene, got)
    assert not wrong
    assert hits >= (40 if known == "order" else 25)
    assert got.remarks


def test_a_level_that_is_not_known_is_left_unknown() -> None:
    scene = Scene(WALK, EVEN)
    table = {v: light_of(v) for v in (0, 128, 255)}
    got = found(scene, Knowledge(table=table))
    hits, wrong = judged(scene, got)
    known = [t for t in scene.truth() if {t[1], t[2]} <= set(table)]
    assert not wrong
    assert hits == len(known)
    assert sum("none of the known levels" in r for r in got.remarks) >= WALK.count(64) + WALK.count(192) - 3


def test_a_glitch_and_an_overshoot_are_no_steps() -> None:
    scene = Scene([0, 255, 0], [1.0, 2.0, 1.0])
    x = scene.samples()
    x[40_000:40_600] = 0.0  # 30 ms without light in the middle of the bright level
    envelope = Envelope()
    envelope.feed(x)
    got = segment(envelope.points(), envelope.block / 20e3, 0.0, Knowledge(table=scene.table()), None)
    assert [(s.from_level, s.to_level) for s in got.steps] == [(0, 255), (255, 0)]


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10**6),
    st.floats(0.25, 1.5),
    st.floats(0.0003, 0.03),
    st.sampled_from([0.0, 97.0, 240.0, 960.0]),
    st.floats(-0.05, 0.05),
    st.floats(0.0005, 0.01),
)
def test_whatever_the_record_no_reported_step_is_false(
    seed: int, hold_s: float, tau_s: float, pwm_hz: float, drift: float, noise: float
) -> None:
    rng = np.random.default_rng(seed)
    shown = walk(LEVELS, 25, seed)
    holds = list(hold_s * rng.uniform(1.0, 1.6, 25))
    scene = Scene(shown, holds, tau_s=tau_s, pwm_hz=pwm_hz, drift=drift, noise=noise, seed=seed)
    got = found(scene)
    hits, wrong = judged(scene, got)
    assert not wrong
    # What was not found lies within a stretch that is said to be unknown; one may hide several steps.
    said = [re.match(r"([\d.]+) to ([\d.]+) s: ", remark) for remark in got.remarks]
    unknown = [(float(m[1]) - 0.05, float(m[2]) + 0.05) for m in said if m]
    missed = [t for t in scene.truth() if not any(abs(step.at_s - t[0]) < 0.05 for step in got.steps)]
    assert hits + len(missed) >= len(scene.truth())
    assert [t for t in missed if not any(begin <= t[0] <= end for begin, end in unknown)] == []


@given(st.lists(st.integers(0, 4), min_size=1, max_size=40), st.data())
def test_alignment_finds_what_was_left_out_and_what_was_added(order: list[int], data: st.DataObject) -> None:
    expected = np.array([float(v) for v in order])
    cut = data.draw(st.integers(0, len(order) - 1))
    light = np.delete(expected, cut)
    match = align(light, expected, 0.05)
    kept = [j for j in match if j is not None]
    assert kept == sorted(kept)
    assert len(kept) == len(light)
    assert all(order[j] == light[i] for i, j in enumerate(match) if j is not None)


def test_a_played_file_is_recognised_wherever_it_begins_and_when_it_is_looped() -> None:
    rng = np.random.default_rng(5)
    holds = np.array([0.3, 0.7, 0.3, 0.5, *[0.6] * 20])
    levels = (0, 255, 0, 255, *walk([0, 128, 255], 20, 3)) if walk([0, 128, 255], 20, 3)[0] != 255 else ()
    starts = np.concatenate([[0.0], np.cumsum(holds)[:-1]])
    length = float(holds.sum())
    plateaus = [Plateau(0, 321, 0.1, 0.0, 0.001)]
    for loop in range(2):
        for a, held, level in zip(starts, holds, levels, strict=True):
            begin = 321 + (loop * (length + 0.4) + a) * 1000 * 1.0002 + rng.normal(0, 2)
            plateaus.append(Plateau(int(begin), int(begin + held * 1000), light_of(level), 0.0, 0.001))
    labels = by_timeline(plateaus, 1e-3, Timeline(starts, levels, length))
    assert [label.level for label in labels[1:]] == list(levels) * 2


@given(st.lists(st.floats(-10, 10), min_size=4, max_size=300), st.integers(1, 50))
def test_the_envelope_does_not_depend_on_how_samples_are_fed(values: list[float], portion: int) -> None:
    whole, parts = Envelope(16), Envelope(16)
    data = np.array(values)
    whole.feed(data)
    for i in range(0, len(data), portion):
        parts.feed(data[i : i + portion])
    if whole.block == parts.block:
        n = min(len(whole.points()), len(parts.points()))
        np.testing.assert_allclose(whole.points()[:n], parts.points()[:n], atol=1e-9)
    b = whole.block
    for k, point in enumerate(whole.points()):
        x = data[k * b : (k + 2) * b]
        weights = 1 - np.abs((np.arange(2 * b) + 0.5) / b - 1)
        assert point == pytest.approx(float(x @ weights) / b, abs=1e-9)


def test_memory_stays_bounded_while_tens_of_millions_of_samples_pass() -> None:
    envelope = Envelope(1 << 14)
    part = np.sin(np.arange(1 << 20) / 1e4)
    envelope.feed(part)
    tracemalloc.start()
    for _ in range(20):
        envelope.feed(part)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert envelope.samples == 21 << 20
    assert peak < 40 << 20
    assert len(envelope.points()) < 1 << 14


def test_a_long_record_becomes_step_and_steady_captures_with_repeats(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    scene = Scene([0, 255] * 12 + [128, 0] * 4, [0.5] * 32, tau_s=0.004, noise=0.001)
    np.save(desk.folder / "record.npy", np.round(scene.samples() * 10_000).astype(np.int16))
    body = (
        f'[[capture]]\nkind = "record"\nfile = "record.npy"\nsample_interval_s = 5e-5\nlight = ["1"]\nlevels = {scene.levels}\n'
    )
    done = desk.run(body)
    captures = desk.captures()
    assert done.remarks == ()
    assert {k: c.segments for k, c in captures.items() if "step" in k} == {
        "c01-step-000-128": 3,
        "c01-step-000-255": 12,
        "c01-step-128-000": 4,
        "c01-step-255-000": 11,
        "c01-step-255-128": 1,
    }
    assert {"c01-steady-000", "c01-steady-128", "c01-steady-255"} <= set(captures)
    rise = captures["c01-step-000-255"]
    assert rise.channels["light"].codes.dtype == np.int16
    light = rise.channels["light"].values()
    mean = light.mean(axis=0) / light[:, -400:].mean()
    crossing = rise.times_s[int(np.argmax(mean > 0.9))] - rise.times_s[int(np.argmax(mean > 0.1))]
    assert crossing == pytest.approx(np.log(9) * 0.004, rel=0.03)  # [derived] ln 9 tau
    assert rise.start_s == 0.0
    assert np.isnan(rise.trigger_s).all()
    spread = [float(np.argmax(row > 0.5 * light.max())) * 5e-5 for row in light]
    assert np.ptp(spread) < 2e-4
    again = desk.run(body)
    assert again.already


def test_a_record_without_any_hint_of_its_levels_is_refused_with_what_would_help(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    np.save(desk.folder / "record.npy", Scene([0, 255] * 5, [0.5] * 10).samples())
    body = '[[capture]]\nkind = "record"\nfile = "record.npy"\nsample_interval_s = 5e-5\nlight = ["1"]\n'
    assert "nothing tells the levels: give steady captures" in desk.problems(body)[0]
    assert desk.problems(body)[0].startswith(f"manifest.toml:{HEAD.count(chr(10)) + 1}:")
