"""Pattern files: exact pictures, a video that shows what its manifest says, and a record of it that is understood again."""

from __future__ import annotations

import io
import tomllib
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from greystep.daemon.patterns.caution import LEVEL, caution_picture
from greystep.daemon.patterns.export import MANIFEST, VIDEO, export
from greystep.daemon.patterns.picture import grey_png
from greystep.daemon.patterns.sequence import MARKER_HOLDS_S, levels_of, timed, walk
from greystep.daemon.patterns.timeline import read_timeline
from greystep.daemon.patterns.video import RATES_HZ, to_full, to_limited, write_video
from greystep.schema.errors import GreystepError, ManifestError
from greystep.schema.plan import Plan
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from tests.importing.desk import Desk
from tests.importing.records import Scene


def plan(**levels: object) -> Plan:
    return Plan.model_validate(
        {"dut": {"model": "Petrel 5"}, "condition": [{"refresh_rate_hz": 60}], "levels": levels, "capture": {"hold_s": 0.5}}
    )


@given(st.sets(st.tuples(st.integers(0, 255), st.integers(0, 255)).filter(lambda p: p[0] < p[1]), min_size=1, max_size=25))
def test_the_walk_shows_every_transition_in_both_directions_exactly_once(pairs: set[tuple[int, int]]) -> None:
    steps = Counter(pairwise(walk(sorted(pairs))))
    wanted = {p for a, b in pairs for p in ((a, b), (b, a))}
    assert all(steps[p] == 1 for p in wanted)
    extra = sum(steps.values()) - len(wanted)
    assert extra < len(pairs)


def test_the_start_marker_is_uneven_and_below_the_flash_threshold() -> None:
    held, marker = timed(levels_of(plan(step=[0, 255]), 1), 0.5, 60)
    assert [h.level for h in held[:marker]] == [0, 255] * (marker // 2)
    # WCAG 2.x SC 2.3.1: at most three flashes (pairs of opposing changes) within any second [reference checks 6]
    edges = np.cumsum(MARKER_HOLDS_S)[:-1]
    assert max(int(((edges >= t) & (edges <= t + 1)).sum()) for t in edges) // 2 <= 3
    gaps = np.array(MARKER_HOLDS_S[1:])
    assert all(not np.allclose(np.resize(gaps[k:], len(gaps)), gaps) for k in range(1, len(gaps)))


@pytest.mark.parametrize("level", [0, 1, 128, 255])
def test_a_picture_is_that_grey_in_every_pixel(level: int) -> None:
    image = Image.open(io.BytesIO(grey_png(level, 70, 40)))
    assert image.size == (70, 40)
    assert image.mode == "RGB"
    assert np.all(np.asarray(image) == level)


def test_limited_range_ends_are_exact_and_every_level_comes_back_within_one() -> None:
    # ITU-R BT.709 quantisation: 16 black, 235 white
    assert (to_limited(0), to_limited(255), to_full(16), to_full(235)) == (16, 235, 0, 255)
    assert all(abs(to_full(to_limited(v)) - v) <= 1 for v in range(256))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_video_shows_what_its_manifest_says_when_it_says(tmp_path: Path, rate_hz: int) -> None:
    av = pytest.importorskip("av", reason="videos need the extra `video`")
    held, marker = timed([0, 64, 255, 39, 128, 0], 0.2, rate_hz)
    shown = write_video(tmp_path / "x.mp4", held, rate_hz, 128, 96, marker)
    assert (39, 38) in set(zip(shown.asked, shown.level, strict=True))
    starts = [round(s * rate_hz) for s in shown.start_s]
    with av.open(str(tmp_path / "x.mp4")) as video:
        stream = video.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt, float(stream.average_rate)) == (
            "h264",
            "yuv420p",
            rate_hz,
        )
        for number, frame in enumerate(video.decode(video=0)):
            assert float(frame.time) == pytest.approx(number / rate_hz, abs=1e-6)
            if number >= starts[1]:
                entry = max(i for i, s in enumerate(starts) if s <= number)
                rgb = frame.to_ndarray(format="rgb24")
                # A second decoder path (conversion to RGB) agrees with the luma that was read back, to its own rounding.
                assert abs(int(np.median(rgb)) - shown.level[entry]) <= 1
    assert number + 1 == shown.frames


def test_the_caution_can_be_read_and_stays_dim() -> None:
    picture = caution_picture(640, 360)
    assert set(np.unique(picture)) == {0, LEVEL}
    assert 0.005 < (picture > 0).mean() < 0.2
    assert caution_picture(64, 64).shape == (64, 64)


def test_an_exported_folder_holds_pictures_video_and_manifest(tmp_path: Path) -> None:
    pytest.importorskip("av", reason="videos need the extra `video`")
    done = export(plan(step=[0, 128, 255], steady=[0, 39]), tmp_path, rate_hz=30, repeats=2, width=128, height=96)
    assert {"level-000.png", "level-039.png", "level-128.png", "level-255.png"} == set(done.pictures)
    assert {p.name for p in tmp_path.iterdir()} == {*done.pictures, VIDEO, MANIFEST}
    assert done.shifted == ((39, 38),)
    assert tomllib.loads((tmp_path / MANIFEST).read_text())["video"]["frame_rate_hz"] == 30.0
    steps = Counter(pairwise(read_timeline(tmp_path / MANIFEST).levels))
    assert all(steps[p] == 2 for p in ((0, 128), (128, 0), (128, 255), (255, 128)))


@pytest.mark.parametrize(
    ("change", "words"),
    [({"width": 127}, "even numbers"), ({"repeats": 900}, "at most 3000"), ({"height": 99999}, "even numbers")],
)
def test_what_can_not_be_exported_is_said(tmp_path: Path, change: dict[str, int], words: str) -> None:
    given_ = {"rate_hz": 30, "repeats": 1, "width": 128, "height": 96} | change
    with pytest.raises(GreystepError, match=words):
        export(plan(step=[0, 128, 255]), tmp_path, **given_)  # type: ignore[arg-type]


def test_a_broken_manifest_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "pattern.toml"
    path.write_text("greystep_pattern = 2\n[video]\nfile = 3\n")
    with pytest.raises(ManifestError) as caught:
        read_timeline(path)
    assert any(":1:" in str(p) for p in caught.value.problems)


def test_a_record_of_the_played_video_is_cut_into_its_steps(tmp_path: Path) -> None:
    pytest.importorskip("av", reason="videos need the extra `video`")
    desk = Desk.at(tmp_path)
    done = export(plan(step=[0, 128, 255]), desk.folder, rate_hz=30, repeats=3, width=128, height=96)
    assert done.shown is not None
    starts = np.array([*done.shown.start_s, done.shown.frames / 30])
    lead, slow = 3.21, 1.0003  # the player starts when it likes, its clock runs a little off
    scene = Scene([0, *done.shown.level, 0], [lead, *(np.diff(starts) * slow), 1.0], pwm_hz=240, tau_s=0.006)
    np.save(desk.folder / "record.npy", scene.samples())
    body = (
        f'[[capture]]\nkind = "record"\nfile = "record.npy"\nsample_interval_s = 5e-5\nlight = ["1"]\npattern = "{MANIFEST}"\n'
    )
    desk.run(body)
    steps = {k: c.segments for k, c in desk.captures().items() if "-step-" in k}
    for a, b in ((0, 128), (128, 0), (128, 255), (255, 128)):
        assert steps[f"c01-step-{a:03d}-{b:03d}"] == 3
    assert steps["c01-step-000-255"] >= 3
