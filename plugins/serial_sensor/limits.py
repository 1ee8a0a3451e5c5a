"""What a sensor says about itself."""

from __future__ import annotations

from dataclasses import dataclass

from greystep.schema.errors import ReplyError

from .protocol import VERSION


@dataclass(frozen=True)
class SensorLimits:
    """Reply to `limits`."""

    low_hz: float
    high_hz: float
    gains: tuple[int, ...]
    bits: int
    vref_v: float
    samples: int
    channels: int


def parse_identity(reply: str) -> str:
    """Identity from the reply to `id`. Raises ReplyError for another device or version."""
    words = reply.split(maxsplit=2)
    if len(words) != 3 or words[0] != "light-sensor":
        raise ReplyError("that is no light sensor", received=reply)
    if words[1] != VERSION:
        raise ReplyError(f"the sensor speaks protocol {words[1]}, version {VERSION} is needed", received=reply)
    return words[2]


def parse_limits(reply: str) -> SensorLimits:
    """From the reply to `limits`. Raises ReplyError."""
    try:
        fields = dict(word.split("=", 1) for word in reply.split())
        low, high = fields["rate"].split(":")
        limits = SensorLimits(
            float(low),
            float(high),
            tuple(int(gain) for gain in fields["gain"].split(",")),
            int(fields["bits"]),
            float(fields["vref"]),
            int(fields["samples"]),
            int(fields.get("channels", "1")),
        )
    except (ValueError, KeyError) as exc:
        raise ReplyError(f"the sensor's limits can't be read: {exc}", received=reply) from exc
    sane = 0 < limits.low_hz <= limits.high_hz < 1e12 and all(gain > 0 for gain in limits.gains)
    if not (sane and 1 <= limits.bits <= 16 and 0 < limits.vref_v < 1e3 and limits.samples > 0 and 1 <= limits.channels <= 8):
        raise ReplyError("the sensor's limits make no sense", received=reply)
    return limits
