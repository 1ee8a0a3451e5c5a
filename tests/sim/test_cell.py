"""The switching element is exact: closed forms, history, and the sensor's filter against independent results."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from greystep.sim_instruments.panel.cell import CellPiece, CellSpeed, next_piece, resting_piece
from greystep.sim_instruments.sensor import Photosensor, one_pole
from hypothesis import given, settings
from hypothesis import strategies as st


def duration_10_90(value_at, end_s: float) -> float:
    """10-90 % duration of a monotonic unit step by bisection."""

    def crossing(level: float) -> float:
        low, high = 0.0, end_s
        for _ in range(80):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if value_at(middle) < level else (low, middle)
        return low

    return crossing(0.9) - crossing(0.1)


@pytest.mark.parametrize(
    ("ratio", "expected"),
    # reference-checks 1.3 (one pole, ln 9) and 1.4 (two unequal poles) [derived]
    [(1e-6, 2.1972245773), (0.05, 2.199910), (0.1, 2.214994), (0.2, 2.272680), (0.5, 2.589609)],
)
def test_cascade_has_the_10_90_duration_of_two_poles(ratio: float, expected: float) -> None:
    piece = CellPiece(0.0, 0.0, 0.0, 1.0, 1.0, ratio)
    assert duration_10_90(lambda t: piece.state(t)[1], 30.0) == pytest.approx(expected, abs=2e-6)


def test_step_starts_softly() -> None:
    piece = CellPiece(0.0, 0.0, 0.0, 1.0, 1.0, 0.4)
    assert piece.state(1e-4)[1] < 1e-7  # quadratic in time, not linear


SPEED = CellSpeed(base_s=4e-3, rise=1.2, fall=0.8, dark=0.9, small=0.5, ratio=0.35, activation_k=3000.0)
STEP = st.tuples(st.floats(1e-4, 0.05), st.floats(0.0, 1.0))


@given(st.lists(STEP, min_size=1, max_size=6))
@settings(max_examples=25, deadline=None)
def test_any_history_agrees_with_numerical_integration(steps: list[tuple[float, float]]) -> None:
    pieces = [resting_piece(0.0, 0.3, SPEED)]
    for hold_s, target in steps:
        pieces.append(next_piece(pieces[-1], pieces[-1].start_s + hold_s, target, SPEED, 25.0))
    ends = [piece.start_s for piece in pieces[1:]] + [pieces[-1].start_s + 0.01]
    first = second = 0.3
    for piece, end_s in zip(pieces, ends, strict=True):
        assert (first, second) == pytest.approx(piece.state(piece.start_s), abs=1e-6)
        first, second = integrate(piece, first, second, end_s)
        assert (first, second) == pytest.approx(piece.state(end_s), abs=1e-6)


def integrate(piece: CellPiece, first: float, second: float, end_s: float) -> tuple[float, float]:
    """Classical Runge-Kutta integration of the two differential equations over one piece."""
    slow, fast, count = piece.time_constant_s, piece.ratio * piece.time_constant_s, 400
    step = (end_s - piece.start_s) / count

    def slope(state: np.ndarray) -> np.ndarray:
        return np.array([(piece.target - state[0]) / slow, (state[0] - state[1]) / fast])

    state = np.array([first, second])
    for _ in range(count):
        k1 = slope(state)
        k2 = slope(state + 0.5 * step * k1)
        k3 = slope(state + 0.5 * step * k2)
        k4 = slope(state + step * k3)
        state = state + step / 6.0 * (k1 + 2 * k2 + 2 * k3 + k4)
    return float(state[0]), float(state[1])


def test_transition_that_interrupts_another_starts_from_where_the_cell_stands() -> None:
    up = next_piece(resting_piece(0.0, 0.0, SPEED), 0.0, 1.0, SPEED, 25.0)
    reached = up.state(0.005)[1]
    down = next_piece(up, 0.005, 0.0, SPEED, 25.0)
    assert 0.1 < reached < 0.95
    assert down.second == reached
    # The momentum of the first stage carries on: for an instant the light still grows.
    assert down.state(0.005 + 1e-5)[1] > reached


def test_dark_small_and_cold_steps_are_slower() -> None:
    constant = SPEED.time_constant_s
    assert constant(0.0, 0.25) > constant(0.5, 0.75) > constant(0.25, 1.0)
    assert constant(0.4, 0.5) > constant(0.0, 0.5)
    assert constant(1.0, 0.5) < constant(0.5, 1.0)
    # Arrhenius: 3000 K between 5 and 25 deg C.
    ratio = constant(0.0, 1.0, 5.0) / constant(0.0, 1.0, 25.0)
    assert ratio == pytest.approx(math.exp(3000 * (1 / 278.15 - 1 / 298.15)), rel=1e-12)


@pytest.mark.parametrize(("poles", "expected"), [(1, 2.1972245773), (2, 3.35790856)])  # reference-checks 1.3 [derived]
def test_sensor_step_response_has_the_10_90_duration_of_its_poles(poles: int, expected: float) -> None:
    sensor = Photosensor(responsivity_v_per_cd_m2=1.0, dark_v=0.0, bandwidth_hz=1000.0, poles=poles)
    interval = sensor.time_constant_s / 2000
    volts = sensor.volts(np.concatenate([[0.0], np.ones(40_000)]), interval)
    ten, ninety = (np.interp(level, volts, np.arange(len(volts))) for level in (0.1, 0.9))
    assert (ninety - ten) / 2000 == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("h", [0.003, 0.1, 1.0, 12.0])
def test_filter_by_doubling_equals_the_plain_recursion(h: float) -> None:
    seed = 20260101
    print("seed", seed)
    samples = np.random.default_rng(seed).standard_normal(3000).cumsum()
    decay = math.exp(-h)
    now = 1 - (1 - decay) / h
    plain = [samples[0]]
    for before, after in pairwise(samples):
        plain.append(decay * plain[-1] + (1 - decay - now) * before + now * after)
    assert one_pole(samples, h, 1.0) == pytest.approx(np.array(plain), abs=1e-9)


def test_filter_follows_a_ramp_with_its_time_constant_as_lag() -> None:
    t = np.arange(0, 50.0, 0.01)
    assert one_pole(t, 0.01, 1.0)[-1] == pytest.approx(t[-1] - 1.0, abs=1e-9)
