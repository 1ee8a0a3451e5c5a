"""Play a list of levels and record the light of each change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from greystep.schema.errors import InstrumentTimeoutError
from greystep.schema.roles import ChannelSetup, DigitiserSetup, Record

from .session import MARGIN_S, Session, await_list, start_list

_SYNC = ChannelSetup(range_v=12.0, offset_v=2.5)


@dataclass(frozen=True)
class Taken:
    """Result of an acquisition, before it becomes a capture."""

    record: Record
    levels: tuple[int, ...]
    """Played levels; the segments' to-levels."""
    skip: int
    """Segments at the start that only settled."""
    notes: tuple[str, ...] = ()
    retakes: int = 0
    dwell_s: float = 0.0
    """Hold of each level by the pattern source's clock; 0: the host's timing came in between."""
    before: int | None = None
    """Level before the first counted one, where it was not recorded."""


def _setup(session: Session, segments: int, samples: int, pretrigger_s: float, light: ChannelSetup) -> DigitiserSetup:
    bench, rate = session.rig.bench, session.plan.capture.sample_rate_hz
    channels = {bench.light_channel: light}
    if bench.sync_channel is not None:
        channels[bench.sync_channel] = _SYNC
    wanted = DigitiserSetup(
        sample_interval_s=1 / rate,
        samples=samples,
        pretrigger=round(pretrigger_s * rate),
        segments=segments,
        channels=channels,
        trigger="sync",
    )
    return session.rig.digitiser.configure(wanted)


def play(
    session: Session,
    sampling: tuple[int, float, ChannelSetup],
    levels: tuple[int, ...],
    dwell_s: float,
    skip: int,
    meanwhile: Callable[[], None] | None = None,
) -> Taken:
    """Play a list of levels and record each change: in one arming where the digitiser has the segments, else in several.

    Args:
        session: the bench.
        sampling: samples a segment, pretrigger in s, range of the light.
        levels: to play.
        dwell_s: hold of each.
        skip: levels at the start that only settle.
        meanwhile: called once while the digitiser records, when the levels that only settle have been held.
    """
    room = session.rig.digitiser.limits().max_segments
    if room >= len(levels):
        setup = _setup(session, len(levels), *sampling)
        return Taken(_armed(session, setup, levels, dwell_s, skip, meanwhile), levels, skip, dwell_s=dwell_s)
    # Fewer segments than changes: settle without recording, then a lot at a time. Holds last as long as the transfer needs.
    counted = levels[skip:]
    if skip:
        start_list(session, levels[:skip], dwell_s)
    await_list(
        session, max(skip * dwell_s, session.playing_s)
    )  # armed earlier, the digitiser would take the edge of the settling level
    parts: list[Record] = []
    started = session.clock()
    for first in range(0, len(counted), room):
        lot = counted[first : first + room]
        setup = _setup(session, len(lot), *sampling)
        begun = session.clock() - started
        record = _armed(session, setup, lot, dwell_s, 0, None if first else meanwhile)
        parts.append(replace(record, trigger_s=record.trigger_s + begun))
        if record.complete < len(lot):
            break  # segments are counted from the start: those behind a gap could not be told apart
    return Taken(_joined(parts), counted, 0, before=levels[skip - 1] if skip else None)


def _joined(parts: Sequence[Record]) -> Record:
    """Records of several armings as one."""
    first = parts[0]
    channels = {}
    for number, channel in first.channels.items():
        same = [p.channels[number] for p in parts]
        rows = [c.codes[: p.complete] for c, p in zip(same, parts, strict=True)]
        known = [c.clipped[: p.complete] for c, p in zip(same, parts, strict=True) if c.clipped is not None]
        clipped = np.concatenate(known) if len(known) == len(parts) else None
        channels[number] = replace(channel, codes=np.concatenate(rows), clipped=clipped)
    triggers = np.concatenate([p.trigger_s[: p.complete] for p in parts])
    return replace(first, channels=channels, trigger_s=triggers, complete=sum(p.complete for p in parts))


def _armed(
    session: Session,
    setup: DigitiserSetup,
    levels: Sequence[int],
    dwell_s: float,
    skip: int,
    meanwhile: Callable[[], None] | None,
) -> Record:
    """Arm once, play, fetch."""
    rig = session.rig
    length_s = len(levels) * dwell_s
    rig.digitiser.arm()
    start_list(session, levels, dwell_s)
    if meanwhile is not None:
        # The digitiser keeps what it records; nothing is lost while another instrument is asked.
        if skip:
            rig.digitiser.wait(skip * dwell_s)
        meanwhile()
    filled = rig.digitiser.wait(1.1 * length_s + MARGIN_S)
    if filled == 0:
        rig.digitiser.abort()
        raise InstrumentTimeoutError(
            f"no trigger within {1.1 * length_s + MARGIN_S:.1f} s",
            role="digitiser",
            todo="check the sync cable and the trigger setting",
            retryable=True,
        )
    if filled < setup.segments:
        rig.digitiser.abort()
    return rig.digitiser.fetch()
