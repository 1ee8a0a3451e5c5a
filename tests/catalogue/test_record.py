"""Figures go into the catalogue and come back without losing a bit."""

from __future__ import annotations

import math
import struct

from greystep.daemon.catalogue.record import pack, unpack
from greystep.schema.figure import Component, Figure
from greystep.schema.uncertainty import combine
from hypothesis import given
from hypothesis import strategies as st

FLOATS = st.floats(allow_nan=False)
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
COMPONENTS = st.builds(
    Component,
    name=WORDS,
    effect=st.floats(-1e3, 1e3),
    dof=st.floats(1, 1e9) | st.just(math.inf),
    kind=st.sampled_from(["A", "B"]),
    shared=st.sampled_from(["", "timebase", "curve:128"]),
    distribution=st.sampled_from(["normal", "rectangular"]),
)
FIGURES = st.builds(
    Figure,
    quantity=st.sampled_from(["transition_duration", "overshoot"]),
    value=FLOATS,
    unit=st.sampled_from(["s", "1"]),
    from_level=st.none() | st.integers(0, 65535),
    to_level=st.none() | st.integers(0, 65535),
    budget=st.lists(COMPONENTS, max_size=6).map(tuple),
    bound=st.sampled_from(["", "<=", ">="]),
    reason=WORDS,
    flags=st.lists(st.sampled_from(["clipped", "noisy", "ripple"]), unique=True).map(lambda f: tuple(sorted(f))),
    repeats=st.integers(0, 1000),
    detail=st.dictionaries(WORDS, FLOATS, max_size=5),
)


@given(FIGURES)
def test_a_figure_comes_back_as_it_was(figure):
    back = unpack(pack(figure))
    assert back == figure
    assert list(back.detail) == list(figure.detail)
    assert unpack(pack(back)) == back


@given(FIGURES)
def test_the_record_holds_the_combined_uncertainty(figure):
    record = pack(figure)
    combined = combine(figure.budget)
    for mine, theirs in zip(
        (record.u, record.dof, record.expanded), (combined.u, combined.dof, combined.expanded), strict=True
    ):
        assert mine == theirs or (math.isnan(mine) and math.isnan(theirs))


def test_nan_and_minus_zero_are_brought_to_one_form():
    record = pack(Figure("overshoot", -0.0, "1", detail={"a": math.nan, "b": -0.0}))
    assert math.copysign(1, record.value) == 1
    assert math.isnan(pack(Figure("overshoot", math.nan, "1")).value)
    assert struct.unpack("<2d", record.numbers)[1] == 0


def test_the_engine_adds_its_flags_in_order():
    assert unpack(pack(Figure("overshoot", 1.0, "1", flags=("noisy",)), ["clipped", "noisy"])).flags == ("clipped", "noisy")
