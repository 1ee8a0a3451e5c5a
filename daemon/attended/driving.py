"""The digitiser in the attended session: ranges, held light, and the next change of light in either direction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from greystep.daemon.importing.record.changes import find_changes
from greystep.daemon.importing.record.cut import Lengths, middle_of
from greystep.daemon.importing.record.ripple import ripple_period, smooth
from greystep.daemon.run.planned import STEADY_SEGMENTS
from greystep.schema.bench import Bench
from greystep.schema.plan import Plan
from greystep.schema.roles import ChannelSetup, Digitiser, DigitiserSetup, Record
from numpy.typing import NDArray

from .recognise import Held, Judged, held, judge, light_of

_HEADROOM: Final = 1.5
"""Full scale over the brightest light: an overshoot of a quarter still fits."""
_PEEK_S: Final = 0.05
_TRIGGER_SHARE: Final = 0.05
_FREE_HOLDS: Final = 8.0
_FREE_S: Final = 4.0
"""Free-running records are long against a hold and against the pause between two of them: few changes fall on an edge."""
_RIPPLE_S: Final = 1.0


@dataclass(frozen=True)
class Taken:
    """Samples of one record, as the archive will have them."""

    codes: NDArray[Any]
    """[segment, sample]"""
    scale: float
    offset: float
    code_min: float | None
    code_max: float | None
    start_s: float
    """Time of the first sample relative to the trigger."""
    interval_s: float


class LightBench:
    """One light channel of a digitiser."""

    def __init__(self, digitiser: Digitiser, bench: Bench, plan: Plan) -> None:
        self.digitiser = digitiser
        self._channel = bench.light_channel
        self._plan = plan
        self.range_v, self.offset_v = bench.light_range_v or 0.0, bench.light_offset_v
        self._fixed = bench.light_range_v is not None
        self.ripple_s = 0.0
        """Period of the ripple; 0: none. Found at the brightest level: a record that is mostly dark shows none."""

    def autorange(self) -> None:
        """Choose the range from the light that is there now, which is the brightest of the plan."""
        if self._fixed:
            return
        ranges = self.digitiser.limits().ranges_v
        widest = ranges[-1] if ranges else 10.0
        self.range_v, self.offset_v = widest, 0.0
        for _ in range(3):
            record = self._immediate(_PEEK_S, 1)
            volts = self._volts(record)[0]
            top = max(float(np.quantile(volts, 0.999)), widest * 1e-3)
            wanted = _HEADROOM * top
            self.range_v = next((r for r in ranges if r >= wanted), widest) if ranges else wanted
            self.offset_v = self.range_v / 2 - 0.1 * self.range_v

    def hold(self, dark: float) -> tuple[Held, Taken]:
        """Record the held light. `dark`: light of level 0 in V, for the ripple."""
        record = self._immediate(self._plan.capture.steady_s, STEADY_SEGMENTS)
        taken = self._taken(record)
        volts = self._volts(record)
        return held(volts.ravel(), self._clipped(record), dark), taken

    def find_ripple(self) -> None:
        """Find the period of the ripple in the light that is there now."""
        record = self._immediate(_RIPPLE_S, 1)
        self.ripple_s = ripple_period(self._volts(record)[0], record.sample_interval_s)

    def peek(self) -> float:
        """Mean light now, in V."""
        return float(self._volts(self._immediate(_PEEK_S, 1))[0].mean())

    def arm(self, level: int, table: Mapping[int, float], noise: float, *, up: bool, free: bool) -> None:
        """Wait for the next change away from a level."""
        capture = self._plan.capture
        interval = 1.0 / capture.sample_rate_hz
        samples = round(capture.hold_s * capture.sample_rate_hz)
        if free:
            wanted = round(max(_FREE_HOLDS * capture.hold_s, _FREE_S) * capture.sample_rate_hz)
            most = self.digitiser.limits().max_samples or wanted
            self._configure(min(wanted, most), interval, 1, "immediate")
        else:
            pretrigger = round(capture.pretrigger_s * capture.sample_rate_hz)
            threshold = trigger_level(level, table, noise, up=up)
            self._configure(samples, interval, 1, "light", pretrigger, threshold)
        self.digitiser.arm()

    def poll(self, timeout_s: float) -> Record | None:
        """The record, once it is complete."""
        return self.digitiser.fetch() if self.digitiser.wait(timeout_s) >= 1 else None

    def mean(self, record: Record) -> float:
        """Mean light of a record, in V."""
        return float(self._volts(record).mean())

    def judge(self, record: Record, table: Mapping[int, float], *, free: bool) -> tuple[Judged, Taken] | None:
        """What the record shows; None when a free-running record holds no change."""
        taken = self._taken(record)
        volts = light_of(taken.codes[0], taken.scale, taken.offset)
        clipped = self._clipped(record)
        if not free:
            return judge(volts, round(-taken.start_s / taken.interval_s), table, clipped), taken
        return self._find(volts, taken, table, clipped)

    def _find(
        self, volts: NDArray[np.float64], taken: Taken, table: Mapping[int, float], clipped: bool
    ) -> tuple[Judged, Taken] | None:
        interval = taken.interval_s
        even = smooth(volts, self.ripple_s / interval)
        changes = find_changes(even, interval, self._plan.capture.hold_s)
        if not len(changes.instants):
            return None
        before, samples = (round(s / interval) for s in (self._plan.capture.pretrigger_s, self._plan.capture.hold_s))
        lengths = Lengths(before, samples - before, round(max(0.012, self.ripple_s) / interval))
        first = int(changes.instants[0]) - before - lengths.slack
        if len(changes.instants) > 1:
            return Judged(None, None, "two changes in one record: wait longer between them"), taken
        if first < 0 or first + samples + 2 * lengths.slack > len(volts):
            return Judged(None, None, "changed just between two records"), taken
        start = (
            first
            + round(middle_of(volts[first : first + samples + 2 * lengths.slack], lengths, interval, self.ripple_s))
            - before
        )
        start = min(max(start, 0), len(volts) - samples)
        cut = replace(taken, codes=taken.codes[:, start : start + samples], start_s=-before * interval)
        return judge(even[start : start + samples], before, table, clipped), cut

    def _immediate(self, length_s: float, segments: int) -> Record:
        self.digitiser.abort()
        rate = self._plan.capture.sample_rate_hz
        self._configure(max(round(length_s * rate), 64), 1.0 / rate, segments, "immediate")
        self.digitiser.arm()
        self.digitiser.wait(5.0 + 2 * segments * length_s)
        return self.digitiser.fetch()

    def _configure(
        self, samples: int, interval_s: float, segments: int, trigger: Any, pretrigger: int = 0, level_v: float = 0.0
    ) -> None:
        self.digitiser.configure(
            DigitiserSetup(
                sample_interval_s=interval_s,
                samples=samples,
                pretrigger=pretrigger,
                segments=segments,
                channels={self._channel: ChannelSetup(self.range_v, self.offset_v)},
                trigger=trigger,
                trigger_level_v=level_v,
                trigger_channel=self._channel,
                slope="either",
            )
        )

    def _taken(self, record: Record) -> Taken:
        c = record.channels[self._channel]
        codes = c.codes[: max(record.complete, 1)]
        return Taken(codes, c.scale, c.offset, c.code_min, c.code_max, record.first_sample_s, record.sample_interval_s)

    def _volts(self, record: Record) -> NDArray[np.float64]:
        c = record.channels[self._channel]
        return np.asarray(c.codes[: max(record.complete, 1)] * c.scale + c.offset, dtype=np.float64)

    def _clipped(self, record: Record) -> bool:
        c = record.channels[self._channel]
        if c.clipped is not None:
            return bool(c.clipped[: record.complete].any())
        low = c.code_min is not None and bool((c.codes <= c.code_min).any())
        return low or (c.code_max is not None and bool((c.codes >= c.code_max).any()))


def trigger_level(level: int, table: Mapping[int, float], noise: float, *, up: bool) -> float:
    """Light in V that a change away from a level must pass.

    A twentieth of the way to the next level in that direction: any change further on passes it too, and a slow panel passes it
    while the pretrigger still shows the level before. At the end of the range the other direction is taken. Never nearer than
    ten times the noise.
    """
    here = table[level]
    beyond = [table[v] for v in table if (v > level) == up and v != level] or [table[v] for v in table if v != level]
    towards = min(beyond, key=lambda light: abs(light - here))
    away = max(_TRIGGER_SHARE * abs(towards - here), 10 * noise)
    return here + (away if towards > here else -away)
