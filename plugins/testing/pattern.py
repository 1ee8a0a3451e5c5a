"""The contract of the pattern role. Nothing brighter than level 0 is driven for longer than an instant, and nothing flashes."""

from __future__ import annotations

import time
from typing import Any

from greystep.schema.errors import RefusedError

from .checking import Check, NotSupportedError, expect, refused
from .shared import SHARED


def depth_and_delay_make_sense(instrument: Any) -> str:
    """It tells its depth and its own delay."""
    bits, delay_s = instrument.bits(), instrument.delay_s()
    expect(isinstance(bits, int) and 1 <= bits <= 16, f"{bits} bits")
    expect(0 <= delay_s < 1, f"a delay of {delay_s} s")
    return f"{bits} bits, {1e6 * delay_s:.0f} us"


def levels_are_driven_and_others_refused(instrument: Any) -> None:
    """Level 0 is driven; levels outside of its depth are refused."""
    instrument.level(0)
    refused(lambda: instrument.level(1 << instrument.bits()), "a level above the highest", RefusedError)
    refused(lambda: instrument.level(-1), "a level below 0", RefusedError)


def a_list_plays_to_its_end(instrument: Any) -> str:
    """Playing returns at once, and waiting tells when the list is over."""
    started = time.monotonic()
    instrument.play([0, 0, 0], 0.2)
    returned_s = time.monotonic() - started
    expect(instrument.wait(20.0), "the list was not over after 20 s")
    expect(returned_s < 1.0, f"play() took {returned_s:.2f} s")
    return f"play() took {1e3 * returned_s:.0f} ms"


def waiting_ends_at_the_deadline(instrument: Any) -> str:
    """While a list plays, waiting ends at its deadline."""
    instrument.play([0] * 50, 2.0)
    started = time.monotonic()
    over = instrument.wait(0.2)
    took_s = time.monotonic() - started
    instrument.safe()
    if over:
        raise NotSupportedError("its time runs faster than real time")
    expect(took_s < 2.0, f"wait(0.2) took {took_s:.2f} s")
    return f"{took_s:.2f} s"


def settings_of_the_dut_are_checked(instrument: Any) -> str:
    """Settings of the DUT have allowed values; an unknown setting and a forbidden value are refused by name."""
    allowed = instrument.allowed()
    refused(lambda: instrument.apply({"no_such_setting": 1}), "an unknown setting", RefusedError)
    instrument.apply({})
    if not allowed:
        raise NotSupportedError("it sets nothing on the DUT")
    name = sorted(allowed)[0]
    try:
        instrument.apply({name: "no such value"})
    except RefusedError as exc:
        expect(name in str(exc), f"the refusal does not name {name!r}: {exc}")
    else:
        expect(False, f"{name} = 'no such value' was accepted")
    return ", ".join(sorted(allowed))


def dead_man_timeout_can_be_set_and_switched_off(instrument: Any) -> None:
    """The dead-man time-out can be set and switched off."""
    instrument.keep_alive(5.0)
    instrument.keep_alive(0.0)


def safe_works_at_any_time(instrument: Any) -> None:
    """safe() works when idle, while a list plays, and twice."""
    instrument.safe()
    instrument.play([0] * 50, 1.0)
    instrument.safe()
    instrument.safe()
    expect(instrument.wait(5.0), "something still plays after safe()")


PATTERN: tuple[Check, ...] = (
    *SHARED,
    depth_and_delay_make_sense,
    levels_are_driven_and_others_refused,
    a_list_plays_to_its_end,
    waiting_ends_at_the_deadline,
    settings_of_the_dut_are_checked,
    dead_man_timeout_can_be_set_and_switched_off,
    safe_works_at_any_time,
)
