"""What a broken instrument does to a driver: an error in time or the right value, never a hang and never a wrong value.

Every test asks the bench afterwards whether its fault really happened.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from greystep.schema.errors import ConnectionLostError, InstrumentError, RefusedError
from greystep.schema.roles import ChannelSetup, DigitiserSetup
from greystep.sim_instruments.testing import VirtualBench

Open = Callable[..., Any]
FAST = {"timeout_s": 0.25, "open_timeout_s": 0.8}
LONGEST_CALL_S = 0.25 + 0.8 + 0.25 + 0.6
"""One exchange, one resynchronisation, and the noise of a busy machine."""
SETUP = DigitiserSetup(
    sample_interval_s=1e-5, samples=1000, pretrigger=100, segments=2, channels={1: ChannelSetup(10.0), 2: ChannelSetup(10.0)}
)


@pytest.fixture
def broken(bench: VirtualBench) -> Iterator[Callable[..., int]]:
    """broken(role, kind, ...) orders a fault; all must have happened at the end."""
    ordered: list[int] = []

    def order(role: str, kind: str, **options: Any) -> int:
        ordered.append(bench.fault(role, kind, **options))
        return ordered[-1]

    yield order
    missed = [number for number in ordered if bench.hits(number) == 0]
    bench.clear_faults()
    assert not missed, "a fault was ordered and never happened"


def fails_in_time(call: Callable[[], Any], calls: int = 1) -> InstrumentError:
    """The error of the call, which must come within the deadline of so many exchanges."""
    started = time.monotonic()
    with pytest.raises(InstrumentError) as caught:
        call()
    assert time.monotonic() - started < calls * LONGEST_CALL_S
    return caught.value


def recovers(driver: Any) -> None:
    """The driver comes back within two tries, as the runner would try."""
    try:
        driver.recover()
    except InstrumentError:
        driver.recover()


BAD_REPLIES = [
    ("silence", {}),
    ("garbage", {"seed": 1}),
    ("garbage", {"seed": 2}),
    ("half", {}),
    ("disconnect", {}),
    ("stale", {"delay_s": 0.4}),
    ("swapped", {}),
    ("drip", {"bytes": 1, "every_s": 0.1}),
]


@pytest.mark.parametrize(("kind", "options"), BAD_REPLIES, ids=str)
@pytest.mark.parametrize("query", ["SENS:SWE:POIN?", "RANG:OFFS?", "SYST:ERR?"])
def test_configure_fails_in_time_or_is_right(
    opened: Open, broken: Callable[..., int], kind: str, options: dict[str, Any], query: str
) -> None:
    digitiser = opened("digitiser", **FAST)
    broken("digitiser", kind, match=query, **options)
    error = fails_in_time(lambda: digitiser.configure(SETUP))
    assert error.role == "digitiser"
    assert error.where
    recovers(digitiser)
    assert digitiser.configure(SETUP) == SETUP


BAD_FETCHES = [
    *((kind, options, query) for query in ("TRAC? 2", "TRAC:PRE?", "TRAC:TIM?") for kind, options in BAD_REPLIES),
    ("wrong_length", {"delta": 1000}, "TRAC? 2"),
    ("wrong_length", {"delta": -2}, "TRAC? 2"),
]


@pytest.mark.parametrize(("kind", "options", "query"), BAD_FETCHES)
def test_a_record_is_fetched_whole_and_right_or_not_at_all(
    opened: Open, bench: VirtualBench, broken: Callable[..., int], kind: str, options: dict[str, Any], query: str
) -> None:
    digitiser, pattern = opened("digitiser", **FAST), opened("pattern")
    digitiser.configure(SETUP)
    digitiser.arm()
    pattern.play([255, 0], 0.2)
    assert digitiser.wait(5.0) == 2
    whole = digitiser.fetch()
    broken("digitiser", kind, match=query, **options)
    fails_in_time(digitiser.fetch)
    # The memory still holds the record: after the next exchange has resynchronised, it is the same record.
    again = digitiser.fetch()
    for number, channel in whole.channels.items():
        assert (again.channels[number].codes == channel.codes).all()
        assert again.channels[number].scale == channel.scale
    assert (again.trigger_s == whole.trigger_s).all()


@pytest.mark.parametrize(("kind", "options"), BAD_REPLIES)
def test_a_meter_never_reports_the_reply_to_another_question(
    opened: Open, broken: Callable[..., int], kind: str, options: dict[str, Any]
) -> None:
    power = opened("power", **FAST)
    right = power.read(0.01).value
    broken("power", kind, match="MEAS:POW?", **options)
    error = fails_in_time(lambda: power.read(0.01), calls=2)
    assert error.retryable
    assert power.read(0.01).value == pytest.approx(right, rel=0.2)


@pytest.mark.parametrize(("kind", "options"), BAD_REPLIES)
def test_wait_for_triggers_reports_the_fault(
    opened: Open, broken: Callable[..., int], kind: str, options: dict[str, Any]
) -> None:
    digitiser = opened("digitiser", **FAST)
    digitiser.configure(SETUP)
    digitiser.arm()
    broken("digitiser", kind, match="TRAC:COUN?", after=3, **options)
    fails_in_time(lambda: digitiser.wait(5.0))
    recovers(digitiser)
    digitiser.arm()
    digitiser.abort()


@pytest.mark.parametrize(("kind", "options"), BAD_REPLIES)
def test_the_way_to_level_0_survives_a_bad_reply(
    opened: Open, bench: VirtualBench, broken: Callable[..., int], kind: str, options: dict[str, Any]
) -> None:
    pattern = opened("pattern", **FAST)
    pattern.level(255)
    broken("pattern", kind, match="*OPC?", **options)
    pattern.safe()
    bench.skip(0.2)
    assert bench.hello()["level"] == 0


def test_a_slow_drip_that_still_ends_in_time_is_only_slow(opened: Open, broken: Callable[..., int]) -> None:
    power = opened("power", timeout_s=3.0)
    broken("power", "drip", match="MEAS:POW?", bytes=2, every_s=0.005)
    assert power.read(0.01).value > 0


def test_answers_that_keep_slipping_are_never_believed(opened: Open, broken: Callable[..., int]) -> None:
    power = opened("power", **FAST)
    broken("power", "swapped", times=1000)
    for _ in range(3):
        fails_in_time(lambda: power.read(0.01), calls=2)


def test_a_refusing_instrument_is_told_clearly_and_taken_back_later(
    opened: Open, bench: VirtualBench, broken: Callable[..., int]
) -> None:
    digitiser = opened("digitiser", **FAST)
    digitiser.configure(SETUP)
    broken("digitiser", "refuse", seconds=0.5)
    assert isinstance(fails_in_time(digitiser.arm), ConnectionLostError)
    assert "refused" in str(fails_in_time(digitiser.recover))
    time.sleep(0.8)
    recovers(digitiser)
    # Arming sends the whole setup again: the instrument may have lost it.
    digitiser.arm()
    digitiser.abort()


def test_a_reboot_with_another_identity_is_not_taken_for_the_same_instrument(opened: Open, broken: Callable[..., int]) -> None:
    luminance = opened("luminance", **FAST)
    broken("luminance", "reboot", seconds=0.2)
    fails_in_time(lambda: luminance.read(0.05), calls=2)
    time.sleep(0.5)
    for _ in range(3):
        error = fails_in_time(lambda: luminance.read(0.05), calls=2)
    assert "another instrument answers now" in str(error)
    assert "VB-X-9999" in error.received


def test_a_reboot_with_the_same_identity_gets_its_setup_again(
    opened: Open, bench: VirtualBench, broken: Callable[..., int]
) -> None:
    digitiser, pattern = opened("digitiser", **FAST), opened("pattern")
    *_, serial, firmware = digitiser.identify().split(",")
    digitiser.configure(SETUP)
    broken("digitiser", "reboot", seconds=0.2, serial=serial, firmware=firmware)
    fails_in_time(digitiser.arm)
    time.sleep(0.5)
    recovers(digitiser)
    pattern.level(0)
    bench.skip(0.1)
    digitiser.arm()
    pattern.play([255, 0], 0.2)
    assert digitiser.wait(5.0) == 2
    assert digitiser.fetch().channels[1].codes.shape == (2, 1000)


def test_another_instrument_at_the_address_is_named(opened: Open, broken: Callable[..., int]) -> None:
    temperature = opened("temperature", **FAST)
    broken("temperature", "other_instrument", match="MEAS")
    fails_in_time(lambda: temperature.read(0.1), calls=2)
    error = fails_in_time(temperature.recover)
    assert "Function Generator" in str(error)


def test_a_stuck_trigger_ends_with_the_deadline_and_zero_segments(
    opened: Open, bench: VirtualBench, broken: Callable[..., int]
) -> None:
    digitiser, pattern = opened("digitiser"), opened("pattern")
    digitiser.configure(SETUP)
    broken("digitiser", "stuck_trigger", match="INIT")
    digitiser.arm()
    pattern.play([255, 0], 0.1)
    started = time.monotonic()
    assert digitiser.wait(0.4) == 0
    assert time.monotonic() - started < 1.0
    digitiser.abort()
    digitiser.arm()
    pattern.play([255, 0], 0.1)
    assert digitiser.wait(5.0) == 2


def test_a_full_error_queue_is_told_with_its_numbers_and_emptied(opened: Open, broken: Callable[..., int]) -> None:
    digitiser = opened("digitiser")
    broken("digitiser", "error_queue_full", match="SENS:SWE:POIN")
    with pytest.raises(RefusedError, match="-310") as caught:
        digitiser.configure(SETUP)
    assert "more" in str(caught.value)
    assert digitiser.configure(SETUP) == SETUP


def test_silence_at_opening_is_a_clear_time_out(opened: Open, bench: VirtualBench, broken: Callable[..., int]) -> None:
    broken("power", "silence", times=100)
    error = fails_in_time(lambda: opened("power", **FAST))
    assert "no answer in time" in str(error)


def test_garbage_at_opening_is_not_taken_for_an_instrument(opened: Open, broken: Callable[..., int]) -> None:
    broken("power", "garbage", times=100)
    fails_in_time(lambda: opened("power", **FAST), calls=2)
