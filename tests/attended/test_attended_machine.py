"""The attended session without a bench: recognition of records, the grid, and the state machine."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from greystep.daemon.attended import session as machine
from greystep.daemon.attended.driving import trigger_level
from greystep.daemon.attended.grid import Grid
from greystep.daemon.attended.recognise import Held, Judged, held, judge
from greystep.daemon.attended.session import Group, Order, Session
from greystep.daemon.attended.terminal import PlainTerminal
from greystep.schema.dut import Condition
from hypothesis import given
from hypothesis import strategies as st

TABLE = {0: 0.01, 128: 0.9, 255: 4.0}
RNG = np.random.default_rng(4)


def record(before: float, after: float, tau: float = 20.0, n: int = 2000, noise: float = 0.001) -> np.ndarray:
    t = np.arange(n) - 200
    light = np.where(t < 0, before, after + (before - after) * np.exp(-np.maximum(t, 0) / tau))
    return light + RNG.normal(0, noise, n)


@pytest.mark.parametrize(
    ("light", "clipped", "pair", "problem"),
    [
        (record(0.01, 4.0), False, (0, 255), ""),
        (record(4.0, 0.9), False, (255, 128), ""),
        (record(0.01, 4.0), True, (0, 255), "clipped"),
        (record(0.01, 4.0, tau=800), False, (0, None), "not settled"),
        (record(0.01, 2.0), False, (0, None), "level after (2 V) is none of the plan"),
        (record(2.0, 0.01), False, (None, 0), "level before (2 V) is none of the plan"),
        (record(0.9, 0.9), False, (128, 128), "no change"),
    ],
)
def test_a_record_is_recognised_by_its_levels(
    light: np.ndarray, clipped: bool, pair: tuple[int | None, int | None], problem: str
) -> None:
    seen = judge(light, 200, TABLE, clipped)
    assert (seen.from_level, seen.to_level) == pair
    assert problem in seen.problem
    assert seen.kept == (not problem)


def test_held_light_tells_noise_and_ripple_apart() -> None:
    t = np.arange(20_000) / 20e3
    seen = held(1.0 * (1 + 0.2 * np.sin(2 * np.pi * 100 * t)) + RNG.normal(0, 0.002, len(t)), False)
    assert seen.ripple == pytest.approx(0.2, rel=0.05)
    # First differences of a 100 Hz ripple of 0.2 V are up to 6.3 mV; the noise is an upper estimate there.
    assert 0.002 < seen.noise < 0.006
    quiet = held(1.0 + RNG.normal(0, 0.002, len(t)), False)
    assert quiet.noise == pytest.approx(0.002, rel=0.05)
    assert quiet.ripple < 0.001


def test_the_trigger_lies_near_the_present_level_on_the_way_to_the_next() -> None:
    assert trigger_level(128, TABLE, 1e-4, up=True) == pytest.approx(0.9 + 0.05 * 3.1)
    assert trigger_level(128, TABLE, 1e-4, up=False) == pytest.approx(0.9 - 0.05 * 0.89)
    assert trigger_level(255, TABLE, 1e-4, up=True) < 4.0
    assert trigger_level(0, TABLE, 0.02, up=True) == pytest.approx(0.21)


def steps_session(repeats: int = 2) -> Session:
    grid = Grid.of([(0, 128), (0, 255), (128, 255)], repeats)
    group = Group("c01", Condition(refresh_rate_hz=60.0), (0, 128, 255), grid, TABLE)
    return Session((group,), phase="steps", level=0)


def doing(orders: list[Order]) -> list[str]:
    return [o.do for o in orders]


def test_every_order_of_steps_fills_the_grid_and_extra_ones_are_refused() -> None:
    session = steps_session(repeats=1)
    for a, b in ((0, 255), (255, 128), (128, 0), (0, 128), (128, 255)):
        session, orders = machine.on_step(session, Judged(a, b))
        assert doing(orders) == ["keep_step", "say", "say", "arm"]
    session, orders = machine.on_step(session, Judged(255, 128))
    assert "complete already" in orders[0].text
    session, orders = machine.on_step(session, Judged(128, 255))
    session, orders = machine.on_step(session, Judged(255, 0))
    assert doing(orders) == ["keep_step", "say", "say", "say", "end"]
    assert session.phase == "done"


def test_a_record_that_is_no_good_is_told_and_waited_for_again() -> None:
    session, orders = machine.on_step(steps_session(), Judged(0, 255, "clipped: too bright"))
    assert doing(orders) == ["say", "say", "arm"]
    assert orders[0].text == "Retake: clipped: too bright."
    assert session.group.grid.left == 12
    assert session.level == 255


def test_undo_takes_back_the_last_and_only_that() -> None:
    session = steps_session()
    session, _ = machine.on_step(session, Judged(0, 255))
    session, _ = machine.on_step(session, Judged(255, 0))
    session, orders = machine.on_key(session, "u")
    assert orders[0] == Order("drop_step", pair=(255, 0))
    assert session.group.grid.taken == ((0, 255),)
    session, _ = machine.on_key(session, "u")
    _, orders = machine.on_key(session, "u")
    assert orders[0].text == "Nothing to undo."


def test_a_doubtful_level_is_asked_for_twice_and_then_believed() -> None:
    session = replace(steps_session(), phase="levels").changed(table={0: 0.5})
    wrong = Held(0.4, 0.001, 0.0, 0.0, False)
    session, orders = machine.on_held(session, wrong)
    assert "Not more light (0.4 V) than at level 0" in orders[0].text
    session, orders = machine.on_held(session, wrong)
    assert doing(orders)[0] == "keep_held"


def test_the_placement_is_checked_for_light_ripple_and_clipping() -> None:
    session = replace(steps_session(), phase="bright").changed(table={})
    _, orders = machine.on_held(session, Held(0.01, 0.002, 0.0, 0.0, False))
    assert "Hardly above the noise" in orders[0].text
    _, orders = machine.on_held(session, Held(4.0, 0.002, 0.0, 0.0, True))
    assert "Clipped" in orders[0].text
    rippled, _ = machine.on_held(session, Held(4.0, 0.002, 0.4, 0.0, False))
    assert rippled.free_running
    _, orders = machine.on_held(replace(steps_session(), phase="bright"), Held(3.5, 0.002, 0.0, 0.0, False))
    assert "the placement has changed" in orders[0].text


def test_from_a_level_where_nothing_is_left_the_way_on_is_told() -> None:
    grid = Grid({(0, 255): 1, (255, 0): 1, (128, 0): 1}, ((0, 255), (255, 0)))
    assert grid.way(0) == [128]
    assert grid.way(200) == [128]
    assert Grid({(0, 255): 1}, ((0, 255),)).way(0) == []
    text = steps_session().group.grid.text(here=128)
    assert text.splitlines()[3].startswith(">")
    assert text.isascii()


WORDS = st.sampled_from(["", "u", "c", "g", "p", "f", "r 3", "r", "r x", "?", "hello", "r 99999"])
LEVEL = st.sampled_from([None, 0, 128, 255, 77])
EVENTS = st.one_of(
    WORDS,
    st.builds(Held, st.floats(0, 5), st.floats(1e-5, 0.1), st.floats(0, 1), st.floats(-1, 1), st.booleans()),
    st.builds(Judged, LEVEL, LEVEL, st.sampled_from(["", "not settled"])),
    LEVEL,
)


@given(st.lists(EVENTS, max_size=60))
def test_no_order_of_events_breaks_the_machine_or_counts_wrong(events: list[object]) -> None:
    session, _ = machine.begin(replace(steps_session(), phase="condition").changed(table={}))
    kept: list[tuple[int, int]] = []
    for event in events:
        if session.phase == "done":
            break
        if isinstance(event, str):
            session, orders = machine.on_key(session, event)
        elif isinstance(event, Held):
            session, orders = machine.on_held(session, event)
        elif isinstance(event, Judged):
            if session.phase != "steps" or (event.kept and None in (event.from_level, event.to_level)):
                continue
            session, orders = machine.on_step(session, event)
        else:
            session, orders = machine.on_idle(session, event)  # type: ignore[arg-type]
        for order in orders:
            if order.do == "keep_step":
                kept.append(order.pair)
            elif order.do == "drop_step":
                assert kept.pop() == order.pair
        assert tuple(kept) == session.group.grid.taken
        assert all(o.text for o in orders if o.do == "say")


def test_the_terminal_needs_nothing_but_lines() -> None:
    import os

    read, write = os.pipe()
    out = io.StringIO()
    with os.fdopen(read) as source, os.fdopen(write, "w") as keys:
        terminal = PlainTerminal(source, out)
        assert terminal.line(0.01) is None
        keys.write("r 2\n")
        keys.flush()
        assert terminal.line(1.0) == "r 2"
        terminal.say("Now 0.")
        assert out.getvalue() == "Now 0.\n"
        keys.close()
        with pytest.raises(EOFError):
            terminal.line(1.0)
