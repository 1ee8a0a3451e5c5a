"""The cache of prepared traces: exact, bounded, and never believed when damaged."""

from __future__ import annotations

import os

import numpy as np
import pytest
from greystep.daemon.analysis import packing
from greystep.daemon.analysis.prepared import PreparedCache
from greystep.schema.dut import Condition, Sensor
from greystep.schema.trace import Context, Curve, Ripple, Series, Steady, Transition
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

LIGHT = hnp.arrays(np.float64, hnp.array_shapes(min_dims=2, max_dims=2, min_side=0, max_side=5), elements=st.floats(width=32))
FLOATS = st.floats(allow_nan=False)
SUBJECTS = st.one_of(
    st.builds(
        Transition,
        from_level=st.integers(0, 255),
        to_level=st.integers(0, 255),
        light=LIGHT,
        start_s=FLOATS,
        interval_s=FLOATS,
        raw=st.none() | LIGHT,
        flags=st.just(("clipped", "ripple")),
    ),
    st.builds(Steady, level=st.integers(0, 255), light=LIGHT, interval_s=FLOATS, luminance_cd_m2=st.none() | FLOATS),
    st.builds(
        Series,
        kind=st.just("power"),
        times_s=hnp.arrays(np.float64, 3),
        values=hnp.arrays(np.float64, (1, 3)),
        unit=st.just("W"),
        levels=st.just((1, 2)),
        toggling=st.just((True, False)),
    ),
)


def same(a, b):
    """Equal to the last bit, arrays by dtype, shape and bytes."""
    assert type(a) is type(b)
    for name, value in a.__dict__.items():
        other = b.__dict__[name]
        if isinstance(value, np.ndarray):
            assert (value.dtype, value.shape, value.tobytes()) == (other.dtype, other.shape, other.tobytes()), name
            assert other.flags.c_contiguous
            assert other.flags.writeable
        elif hasattr(value, "__dataclass_fields__"):
            same(value, other)
        else:
            assert repr(value) == repr(other), name


@given(st.lists(SUBJECTS, max_size=3))
def test_subjects_come_back_to_the_last_bit(subjects):
    made = [packing.rounded(s) for s in subjects]
    back = packing.unpack(b"".join(bytes(p) for p in packing.pack(made)))
    assert len(back) == len(made)
    for a, b in zip(made, back, strict=True):
        same(a, b)


def context():
    levels = np.linspace(0, 255, 17)
    return Context(
        Condition(refresh_rate_hz=59.94, overdrive="off", settings={"gain": 0.1 + 0.2, "mode": "x", "n": 3, "on": True}),
        Sensor(bandwidth_hz=1e5, patch_area_sr=0.3),
        Curve(levels, levels**2.2 / 3, levels * 1e-3, levels * 0 + 9.0, "cd/m2", flags=("assumed_curve",)),
        Ripple("pwm", 240.1, 0.04, waveform=np.sin(np.linspace(0, 6, 64))),
        luminance_scale=np.float64(1 / 3),
        others={"luminance_scale_rel_u": np.float64(0.1)},
    )


def test_a_context_comes_back_to_the_last_bit():
    made = context()
    back = packing.unpack(b"".join(bytes(p) for p in packing.pack([made])))[0]
    assert (back.condition, back.sensor) == (made.condition, made.sensor)
    assert back.curve.light.tobytes() == made.curve.light.tobytes()
    assert back.ripple.waveform.tobytes() == made.ripple.waveform.tobytes()
    assert back.luminance_scale == made.luminance_scale
    assert back.others == made.others


def test_rounding_is_the_same_for_any_memory_order_and_for_a_second_time():
    light = np.asfortranarray(np.random.default_rng(1).normal(size=(5, 7)))
    once = packing.rounded(Transition(0, 1, light, 0.0, 1.0))
    twice = packing.rounded(once)
    other = packing.rounded(Transition(0, 1, np.ascontiguousarray(light), 0.0, 1.0))
    assert once.light.tobytes() == twice.light.tobytes() == other.light.tobytes()
    assert once.light.flags.c_contiguous
    assert np.abs(once.light - light).max() <= 2**-24 * np.abs(light).max()


@pytest.mark.parametrize("position", [0, 10, 21, 30, 60, -1])
def test_a_flipped_bit_anywhere_is_noticed(tmp_path, position):
    cache = PreparedCache(tmp_path)
    place = cache.place("f" * 64, "context", ["a" * 64])
    assert cache.put(place, [context()])
    assert cache.get(place) is not None
    data = bytearray(place.read_bytes())
    data[position] ^= 4
    place.write_bytes(data)
    assert cache.get(place) is None
    place.write_bytes(data[:15])
    assert cache.get(place) is None


def test_what_has_no_place_in_a_file_is_not_kept_and_no_error(tmp_path):
    cache = PreparedCache(tmp_path)
    place = cache.place("f" * 64, "context", ["a" * 64])

    class Own(Steady):
        pass

    assert not cache.put(place, [Own(1, np.zeros((1, 2)), 1.0)])
    assert not cache.put(place, [object()])
    assert cache.get(place) is None


def test_a_folder_that_cannot_be_written_is_no_error(tmp_path):
    (tmp_path / "file").write_text("in the way")
    cache = PreparedCache(tmp_path / "file")
    assert not cache.put(cache.place("f" * 64, "context", []), [context()])


def test_the_oldest_go_first_when_the_limit_is_reached(tmp_path):
    cache = PreparedCache(tmp_path, limit_bytes=400_000)
    places = []
    for i in range(20):
        places.append(cache.place("f" * 64, "subjects", [str(i)]))
        cache.put(places[-1], [Steady(i, np.zeros((1, 10_000)), 1.0)])
        if places[-1].exists():
            os.utime(places[-1], (i, i))  # the clock of the file system is too coarse to tell them apart
    left = [p.exists() for p in places]
    assert sum(p.stat().st_size for p in places if p.exists()) <= 400_000 + 50_000
    assert left[-1]
    assert not left[0]
    assert left == sorted(left)
