"""The search from coarse to fine finds what a look at every sample finds, on hard traces."""

from __future__ import annotations

import numpy as np
import pytest
from greystep.plugins.analysis.kernels.record import BLOCK
from greystep.plugins.analysis.transition.record import Record, despiked
from greystep.plugins.analysis.transition.refusal import Refusal
from greystep.plugins.analysis.transition.search import (
    Middle,
    find_end,
    find_middle,
    find_start,
    has_landing,
)
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from . import edges, full_pass
from .full_pass import smooth

Array = NDArray[np.float64]
SAMPLES = 6000
ONSET = 2000


def _hard(name: str, rng: np.random.Generator) -> Array:
    """Trace from 0 to 1 without noise."""
    t = np.arange(SAMPLES) - ONSET
    slow = edges.exponential(float(rng.uniform(20, 500)))(t)
    if name == "overshoot":
        return edges.second_order(float(rng.uniform(0.05, 0.6)), float(rng.uniform(0.005, 0.05)))(t)
    if name == "ripple":
        return slow + float(rng.uniform(0.005, 0.06)) * np.sin(2 * np.pi * t / float(rng.uniform(20, 900)))
    if name == "plateau":
        way = float(rng.uniform(0.05, 0.95))
        return way * edges.ramp(150)(t) + (1 - way) * edges.ramp(200)(t - float(rng.uniform(150, 2500)))
    if name == "relapse":
        return slow - float(rng.uniform(0.005, 0.7)) * np.exp(-(((t - 2500) / float(rng.uniform(3, 300))) ** 2))
    if name == "early":
        return slow + float(rng.uniform(0.02, 0.5)) * np.exp(-(((t + 900) / float(rng.uniform(3, 300))) ** 2))
    if name == "steep":
        return np.asarray(t > 0, dtype=np.float64)
    return slow


@pytest.mark.parametrize("name", ["plain", "overshoot", "ripple", "plateau", "relapse", "early", "steep", "spikes"])
@pytest.mark.parametrize("noise", [0.0, 1e-3, 1e-2, 0.05, 0.2])
def test_coarse_to_fine_finds_what_a_look_at_every_sample_finds(name: str, noise: float) -> None:
    seed = np.random.SeedSequence().entropy
    print("seed", seed)
    rng = np.random.default_rng(seed)
    for _ in range(4):
        trace = _hard(name, rng) + rng.normal(0, noise, SAMPLES)
        if name == "spikes":
            trace[rng.integers(0, SAMPLES, 20)] += rng.choice([-1, 1], 20) * rng.uniform(0.1, 2, 20)
            trace = despiked(trace) if rng.random() < 0.5 else trace
        record = Record(trace)
        middle = full_pass.find_middle(trace, noise)
        assert find_middle(record, noise) == middle
        if isinstance(middle, Refusal):
            middle = Middle(ONSET + 150.5, 300.0)
        assert has_landing(record, noise, middle) == full_pass.has_landing(trace, noise, middle)
        for level in (0.002, 0.03, 0.1, 0.5):
            for start in ("last_exit", "first_exit"):
                plain = full_pass.find_start(trace, level, noise, middle, start)
                assert find_start(record, level, noise, middle, start) == plain, (level, start)
            for end in ("first_entry", "settled"):
                slow = full_pass.find_end(trace, 1 - level, noise, middle, end)
                assert find_end(record, 1 - level, noise, middle, end) == slow, (level, end)


@given(st.integers(1, 3 * BLOCK + 5), st.integers(1, 400), st.floats(-1.5, 1.5), st.floats(0, 1.5), st.integers(0, 2**32 - 1))
def test_first_and_last_mean_beyond_a_limit(n: int, width: int, low: float, span: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    trace = rng.normal(size=n) * rng.choice([0.01, 1.0], n)
    first, last = sorted(rng.integers(0, n + 1, 2).tolist())
    means, plain, high = Record(trace).means(width), smooth(trace, width)[first:last], low + span
    assert means.at(np.arange(first, last)) == pytest.approx(plain, abs=1e-12)
    if first < last:
        assert means.greatest(first, last, 1.0) == pytest.approx(plain.max(), abs=1e-12)
        assert means.greatest(first, last, -1.0) == pytest.approx(-plain.min(), abs=1e-12)
        inside_only = smooth(trace[first:last], width)
        assert Record(trace).farthest(first, last, width, True) == first + np.argmax(inside_only >= inside_only.max() - 1e-9)
        assert Record(trace).farthest(first, last, width, False) == first + np.argmax(inside_only <= inside_only.min() + 1e-9)
    outside, inside = np.flatnonzero((plain < low) | (plain > high)), np.flatnonzero((plain >= low) & (plain <= high))
    assert means.first_outside(low, high, first, last) == (first + outside[0] if len(outside) else None)
    assert means.last_outside(low, high, first, last) == (first + outside[-1] if len(outside) else None)
    assert means.first_inside(low, high, first, last) == (first + inside[0] if len(inside) else None)


@given(st.integers(1, 300), st.integers(0, 2**32 - 1), st.floats(0, 2))
def test_whether_a_mean_of_samples_in_a_row_leaves_a_range(n: int, seed: int, high: float) -> None:
    rng = np.random.default_rng(seed)
    trace = rng.normal(size=n)
    first = int(rng.integers(0, n))
    width = int(rng.integers(1, n - first + 1))
    plain = np.convolve(trace[first:], np.full(width, 1 / width), "valid")
    assert Record(trace).leaves(-high, high, first, width) == bool((np.abs(plain) > high).any())
