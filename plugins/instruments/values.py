"""Values that a digitiser's commands can hold, from the setup that was asked for. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from greystep.schema.roles import ChannelSetup, DigitiserSetup

from .digitiser_words import DigitiserWords

MOST_SAMPLES = 1 << 33
"""Samples of a channel in one arming; more is a misread reply."""


def next_range(channel: ChannelSetup, ranges_v: Sequence[float] | None) -> ChannelSetup:
    """The channel with the next larger range that the instrument has."""
    fitting = [range_v for range_v in ranges_v or () if range_v >= channel.range_v * (1 - 1e-6)]
    return replace(channel, range_v=min(fitting)) if fitting else channel


def impossible(setup: DigitiserSetup) -> str:
    """What about a confirmed setup no instrument can have set; empty when nothing."""
    if not 0 < setup.sample_interval_s < 1e6:
        return f"an interval of {setup.sample_interval_s:g} s"
    if not (setup.samples >= 1 and setup.segments >= 1 and setup.samples * setup.segments <= MOST_SAMPLES):
        return f"{setup.segments} segments of {setup.samples} samples"
    if not 0 <= setup.pretrigger <= setup.samples:
        return f"{setup.pretrigger} of {setup.samples} samples before the trigger"
    for number, channel in setup.channels.items():
        if not 0 < channel.range_v < 1e6 or abs(channel.offset_v) > 1e6:
            return f"{channel.range_v:g} V around {channel.offset_v:g} V on channel {number}"
    return ""


def channel_values(words: DigitiserWords, number: int, channel: ChannelSetup) -> dict[str, str | float]:
    """For the commands of one channel."""
    half = channel.range_v / 2
    return {
        "channel": words.channel_names.get(str(number), str(number)),
        "range_v": float(channel.range_v),
        "offset_v": float(channel.offset_v),
        "low_v": channel.offset_v - half,
        "high_v": channel.offset_v + half,
    }


def sampling_values(setup: DigitiserSetup) -> dict[str, int | float]:
    """For the commands of time base and memory."""
    interval = float(setup.sample_interval_s)
    record_s = interval * setup.samples
    return {
        "sample_interval_s": interval,
        "sample_rate_hz": 1 / interval,
        "samples": setup.samples,
        "pretrigger": setup.pretrigger,
        "posttrigger": setup.samples - setup.pretrigger,
        "pretrigger_s": interval * setup.pretrigger,
        "pretrigger_fraction": setup.pretrigger / setup.samples,
        "centre_s": record_s / 2 - interval * setup.pretrigger,
        "record_s": record_s,
        "segments": setup.segments,
    }
