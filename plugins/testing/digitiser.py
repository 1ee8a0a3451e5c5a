"""The contract of the digitiser role."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import Any

import numpy as np
from greystep.schema.errors import RefusedError
from greystep.schema.roles import ChannelSetup, DigitiserSetup, Record

from .checking import Check, NotSupportedError, expect, refused
from .shared import SHARED

SAMPLES = 200
FETCH_S = 10.0


def setup_for(instrument: Any, **changes: Any) -> DigitiserSetup:
    """A modest setup within the instrument's limits, free running."""
    limits = instrument.limits()
    interval_s = max(1e-4, limits.min_interval_s or 0.0)
    samples = min(SAMPLES, limits.max_samples or SAMPLES)
    range_v = limits.ranges_v[-1] if limits.ranges_v else 10.0
    # An instrument whose range starts at zero can't be centred on it; half its range as the offset fits every one.
    offset_v = range_v / 2 if _starts_at_zero(instrument, range_v) else 0.0
    made = DigitiserSetup(interval_s, samples, 0, 1, {1: ChannelSetup(range_v, offset_v)}, "immediate")
    return replace(made, **changes)


def _starts_at_zero(instrument: Any, range_v: float) -> bool:
    confirmed = instrument.configure(DigitiserSetup(1e-3, 10, 0, 1, {1: ChannelSetup(range_v)}, _trigger(instrument)))
    channel = confirmed.channels[1]
    return bool(math.isclose(channel.offset_v, channel.range_v / 2, rel_tol=1e-3))


def _trigger(instrument: Any) -> Any:
    """A trigger source that the instrument takes."""
    for source in ("immediate", "sync", "light"):
        try:
            instrument.configure(DigitiserSetup(1e-3, 10, 0, 1, {1: ChannelSetup(_range(instrument))}, source))
        except RefusedError:
            continue
        return source
    raise NotSupportedError("no trigger source is accepted")


def _range(instrument: Any) -> float:
    ranges = instrument.limits().ranges_v
    return float(ranges[-1]) if ranges else 10.0


def _free_running(instrument: Any, **changes: Any) -> DigitiserSetup:
    if _trigger(instrument) != "immediate":
        raise NotSupportedError("it can't record without a trigger")
    return setup_for(instrument, **changes)


def _record(instrument: Any, setup: DigitiserSetup) -> tuple[DigitiserSetup, Record]:
    confirmed = instrument.configure(setup)
    instrument.arm()
    filled = instrument.wait(FETCH_S)
    expect(filled == confirmed.segments, f"{filled} of {confirmed.segments} segments were filled in {FETCH_S:g} s")
    return confirmed, instrument.fetch()


def limits_make_sense(instrument: Any) -> str:
    """Its limits are positive, its ranges ascend."""
    limits = instrument.limits()
    expect(limits.max_segments >= 1 and limits.channels >= 1, f"{limits}")
    expect(limits.max_samples is None or limits.max_samples >= 1, f"max_samples = {limits.max_samples}")
    expect(limits.min_interval_s is None or limits.min_interval_s > 0, f"min_interval_s = {limits.min_interval_s}")
    expect(limits.min_range_v is None or limits.min_range_v > 0, f"min_range_v = {limits.min_range_v}")
    ranges = list(limits.ranges_v or ())
    expect(ranges == sorted(ranges) and all(r > 0 for r in ranges), f"ranges_v = {ranges}")
    return f"{limits.channels} channels, {limits.max_segments} segments, {limits.max_samples} samples"


def configuring_confirms_what_was_set(instrument: Any) -> str:
    """It confirms what it really set, near to what was asked."""
    asked = setup_for(instrument, trigger=_trigger(instrument))
    confirmed = instrument.configure(asked)
    expect(confirmed.samples == asked.samples, f"{confirmed.samples} samples instead of {asked.samples}")
    expect(confirmed.segments == asked.segments, f"{confirmed.segments} segments instead of {asked.segments}")
    ratio = confirmed.sample_interval_s / asked.sample_interval_s
    expect(0.5 < ratio < 2, f"an interval of {confirmed.sample_interval_s:g} s instead of {asked.sample_interval_s:g} s")
    range_v = confirmed.channels[1].range_v
    expect(range_v >= 0.9 * asked.channels[1].range_v, f"a range of {range_v:g} V instead of {asked.channels[1].range_v:g} V")
    return f"{confirmed.sample_interval_s:g} s, {range_v:g} V"


def a_record_has_the_shape_that_was_confirmed(instrument: Any) -> str:
    """A record has the confirmed shape, a positive scale, and codes within the converter's limits."""
    confirmed, record = _record(instrument, _free_running(instrument))
    expect(record.complete == 1, f"complete = {record.complete}")
    expect(set(record.channels) == set(confirmed.channels), f"channels {sorted(record.channels)}")
    channel = record.channels[1]
    codes = np.asarray(channel.codes)
    expect(codes.shape == (1, confirmed.samples), f"codes have the shape {codes.shape}")
    expect(np.isfinite(codes.astype(float)).all(), "codes are not finite")
    expect(channel.scale != 0 and math.isfinite(channel.scale) and math.isfinite(channel.offset), "scale or offset is unusable")
    expect(channel.code_min is None or codes.min() >= channel.code_min, f"a code of {codes.min()} is below {channel.code_min}")
    expect(channel.code_max is None or codes.max() <= channel.code_max, f"a code of {codes.max()} is above {channel.code_max}")
    expect(record.trigger_s.shape == (1,), f"trigger_s has the shape {record.trigger_s.shape}")
    expect(channel.clipped is None or channel.clipped.shape == (1,), "clipped has another shape than segments")
    return f"{channel.scale:g} V a code"


def volts_lie_within_the_range(instrument: Any) -> str:
    """Scaling is applied once: the volts lie within the range that was set."""
    confirmed, record = _record(instrument, _free_running(instrument))
    setup, channel = confirmed.channels[1], record.channels[1]
    volts = np.asarray(channel.codes, float) * channel.scale + channel.offset
    low, high = setup.offset_v - 0.75 * setup.range_v, setup.offset_v + 0.75 * setup.range_v
    expect(
        bool((volts >= low).all() and (volts <= high).all()), f"{volts.min():g} V to {volts.max():g} V in a range of {setup}"
    )
    return f"{volts.min():g} V to {volts.max():g} V"


def several_segments_come_in_order(instrument: Any) -> str:
    """Segmented memory: all segments in one record, their triggers in order of time."""
    most = instrument.limits().max_segments
    if most < 2:
        raise NotSupportedError("it holds one segment")
    count = min(4, most)
    _, record = _record(instrument, _free_running(instrument, segments=count))
    expect(record.channels[1].codes.shape[0] == count, f"{record.channels[1].codes.shape[0]} segments came")
    known = record.trigger_s[np.isfinite(record.trigger_s)]
    expect(bool((np.diff(known) > 0).all()), f"triggers at {known.tolist()} s")
    return f"{count} segments"


def the_second_arming_gives_a_new_record(instrument: Any) -> None:
    """Armed again, it records again; nothing of the first record is left over."""
    setup = _free_running(instrument)
    _record(instrument, setup)
    instrument.arm()
    filled = instrument.wait(FETCH_S)
    expect(filled == setup.segments, f"{filled} segments after the second arming")
    expect(instrument.fetch().complete == setup.segments, "the second record is not complete")


def waiting_ends_at_the_deadline(instrument: Any) -> str:
    """Without a trigger, waiting ends at its deadline and nothing is invented."""
    for source in ("light", "sync"):
        try:
            instrument.configure(setup_for(instrument, trigger=source, trigger_level_v=0.49 * _range(instrument)))
        except RefusedError:
            continue
        instrument.arm()
        started = time.monotonic()
        filled = instrument.wait(0.3)
        took_s = time.monotonic() - started
        instrument.abort()
        if not filled:
            expect(took_s < 2.0, f"wait(0.3) took {took_s:.2f} s")
            return f"{took_s:.2f} s"
    raise NotSupportedError("it has no trigger, or one came while this was tested")


def aborting_is_idempotent(instrument: Any) -> None:
    """Aborting works at any time, also twice."""
    instrument.abort()
    instrument.abort()
    instrument.configure(setup_for(instrument, trigger=_trigger(instrument)))
    instrument.abort()
    instrument.abort()


def nonsense_is_refused(instrument: Any) -> None:
    """A setup that it can't do is refused, and the next good one is taken."""
    good = setup_for(instrument, trigger=_trigger(instrument))
    limits = instrument.limits()
    bad = [
        replace(good, channels={limits.channels + 1: good.channels[1]}),
        replace(good, segments=limits.max_segments + 1),
        replace(good, pretrigger=good.samples + 1),
    ]
    # An instrument without known limits may take the nearest that it can; what it confirms is what counts then.
    if limits.ranges_v:
        bad.append(replace(good, channels={1: ChannelSetup(2 * limits.ranges_v[-1])}))
    if limits.min_interval_s:
        bad.append(replace(good, sample_interval_s=0.5 * limits.min_interval_s))
    if limits.max_samples:
        bad.append(replace(good, samples=limits.max_samples + 1))
    for setup in bad:
        refused(lambda setup=setup: instrument.configure(setup), f"{setup}", RefusedError)  # type: ignore[misc]
    expect(instrument.configure(good).samples == good.samples, "a good setup is not taken afterwards")


DIGITISER: tuple[Check, ...] = (
    *SHARED,
    limits_make_sense,
    configuring_confirms_what_was_set,
    a_record_has_the_shape_that_was_confirmed,
    volts_lie_within_the_range,
    several_segments_come_in_order,
    the_second_arming_gives_a_new_record,
    waiting_ends_at_the_deadline,
    aborting_is_idempotent,
    nonsense_is_refused,
)
