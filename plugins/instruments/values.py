"""Values that a digitiser's commands can hold, from the setup that was asked for. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from greystep.schema.roles import ChannelSetup, DigitiserSetup

from .dialect import DigitiserWords


def next_range(channel: ChannelSetup, ranges_v: Sequence[float] | None) -> ChannelSetup:
    """The channel with the next larger range that the instrument has."""
    fitting = [range_v for range_v in ranges_v or () if range_v >= channel.range_v * (1 - 1e-6)]
    return replace(channel, range_v=min(fitting)) if fitting else channel


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
